"""Validation studies: each module here has `TITLE` and `run(quick, seed)`, which returns `Finding`s.

They simulate and recover: known truth in, stated uncertainties checked. ``scripts/validate.py`` runs them all and
keeps the results in ``docs/validation/``; single cases are used by tests marked ``study``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from sts.plan import BarrierPlan, Plan

NO_LOOP = Plan(
    barrier=BarrierPlan(hysteresis_percent=0)
)  # true of virtual piezos, of which the bench does not say else


@dataclass(frozen=True)
class Finding:
    """One measured figure with the bounds it must keep (NaN where there is none)."""

    case: str  # the regime, e.g. "1/f gap noise 3 %"
    measure: str  # what was measured, e.g. "coverage of 95 % intervals, sweep level [%]"
    value: float
    low: float = math.nan
    high: float = math.nan
    trials: int = 0

    @property
    def kept(self) -> bool:
        """Whether the value lies within its bounds."""
        return not (self.value < self.low or self.value > self.high or math.isnan(self.value))

    def widened(self) -> Finding:
        """The same with bounds wider by three standard errors of a share of 5 % in so many trials, for a quick run."""
        slack = 300 * math.sqrt(0.05 * 0.95 / self.trials)
        return replace(self, low=self.low - slack, high=self.high + slack)
