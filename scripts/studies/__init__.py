"""Validation studies: each module here has `TITLE` and `run(quick, seed)`, which returns `Finding`s.

They simulate and recover: known truth in, stated uncertainties checked. ``scripts/validate.py`` runs them all and
keeps the results in ``docs/validation/``; single cases are used by tests marked ``study``.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from sts.plan import BarrierPlan, Plan

NO_LOOP = Plan(
    barrier=BarrierPlan(hysteresis_percent=0)
)  # true of virtual piezos, of which the bench does not say else


FEWEST = 6  # values that say how far their median may lie off


@dataclass(frozen=True)
class Finding:
    """One measured figure with the bounds it must keep (NaN where there is none)."""

    case: str  # the regime, e.g. "1/f gap noise 3 %"
    measure: str  # what was measured, e.g. "coverage of 95 % intervals, sweep level [%]"
    value: float
    low: float = math.nan
    high: float = math.nan
    trials: int = 0
    error: float = math.nan  # standard error of the value, of a figure that is not a share of so many trials

    @property
    def standard_error(self) -> float:
        """As stated, or of a share [%] that of independent trials; NaN where neither is known."""
        if math.isnan(self.error) and is_share(self.measure) and self.trials:
            return share_error(self.value, self.trials)
        return self.error

    @property
    def kept(self) -> bool:
        """Whether the value lies within its bounds."""
        return not (self.value < self.low or self.value > self.high or math.isnan(self.value))

    def widened(self) -> Finding:
        """The same with bounds wider by three standard errors of a share of 5 % in so many trials, for a quick run."""
        slack = 300 * math.sqrt(0.05 * 0.95 / self.trials)
        return replace(self, low=self.low - slack, high=self.high + slack)


def is_share(measure: str) -> bool:
    """Whether a figure is a share of its trials; bands hold a share of each trial's points, and give their error."""
    return "[%" in measure and not re.search(r"^median|, median|, middle|95 % band|\bpower\b|\babove\b", measure)


def share_error(percent: float, trials: int) -> float:
    """Standard error [%] of a share of independent trials, with half a trial added to either side: none is surely 0."""
    share = (percent / 100 * trials + 0.5) / (trials + 1)
    return 100 * math.sqrt(share * (1 - share) / trials)


def mean_error(values: ArrayLike) -> float:
    """Standard error of the mean of independent values; NaN of fewer than two."""
    known = _known(values)
    return float(known.std(ddof=1) / math.sqrt(known.size)) if known.size > 1 else math.nan


def median_error(values: ArrayLike) -> float:
    """Standard error of the median of independent values: half the distance between the ranks √n/2 beside it; NaN of few.

    The ranks hold the median with 68 % for any distribution (David and Nagaraja, Order Statistics, 3rd ed., 7.1; page
    from memory): the number of values below the median is binomial.
    """
    known = np.sort(_known(values))
    if known.size < FEWEST:
        return math.nan
    low, high = ((known.size - 1 + side * math.sqrt(known.size)) / 2 for side in (-1, 1))
    return float(np.diff(np.interp([low, high], np.arange(known.size), known))[0] / 2)


def any_differ(compared: pd.DataFrame) -> float:
    """Share [%] of samples in which any row of `compare_pairs` or `compare_states` says that it differs."""
    return 100 * float((compared["verdict"] == "differ").groupby(compared["sample"]).any().mean())


def _known(values: ArrayLike) -> np.ndarray:
    known = np.asarray(values, float)
    return np.asarray(known[np.isfinite(known)])
