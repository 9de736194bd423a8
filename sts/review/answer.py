"""The answer as it stands and as it was when the session was opened for review."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from sts.analysis import Analysis
from sts.spectra.spectrum import Spectrum

TIP = ["sample", "tip"]
NUMBERS = ["sweeps", "sites", "barrier_eV", "barrier_low_eV", "barrier_high_eV"]


@dataclass(frozen=True, eq=False)
class Answer:
    """What the session says, now and before."""

    tips: pd.DataFrame  # one row per tip: NUMBERS now, `before_` NUMBERS, moved_eV; verdict where there is one
    spectra: tuple[str, ...]  # labels of the averaged spectra now
    decided: pd.DataFrame  # decisions in force by tip: omitted, kept, raised, lowered
    cautions: tuple[str, ...]


def tips_then_and_now(opened: Analysis, now: Analysis) -> pd.DataFrame:
    """The table of tips with the numbers of before beside those of now.

    Parameters
    ----------
    opened, now : Analysis

    Returns
    -------
    pandas.DataFrame
        One row per tip that has a barrier before or now; what is not there is NaN.
    """
    before, after = (_tips(analysis) for analysis in (opened, now))
    both = after.merge(before.add_prefix("before_").rename(columns={f"before_{c}": c for c in TIP}), on=TIP, how="outer",
                       sort=False)  # fmt: skip
    return both.assign(moved_eV=both["barrier_eV"] - both["before_barrier_eV"])


def _tips(analysis: Analysis) -> pd.DataFrame:
    tips = analysis.barrier.tips if analysis.barrier is not None else pd.DataFrame()
    if tips.empty:
        return pd.DataFrame({c: pd.Series(dtype=object if c in TIP else float) for c in (*TIP, *NUMBERS)})
    return tips[[*TIP, *NUMBERS, *(c for c in ("verdict",) if c in tips)]].reset_index(drop=True)


def spectrum_with(analysis: Analysis, sweep: str) -> Spectrum | None:
    """The averaged spectrum of the group of a sweep, whether the sweep is used in it or not; None if there is none.

    Parameters
    ----------
    analysis : Analysis
    sweep : str
    """
    if analysis.spectra is None:
        return None
    found = [s for s in analysis.spectra.spectra if sweep in s.sweeps or sweep in s.omitted]
    return found[0] if found else None


def directions(analysis: Analysis, rule: Analysis) -> pd.DataFrame:
    """Not yet told: decisions by tip and which way they moved the answer."""
    del analysis, rule
    return pd.DataFrame({"tip": np.array([], object)})
