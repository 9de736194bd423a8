"""The answer as it stands and as it was when the session was opened for review."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import pandas as pd

from sts.analysis import Analysis
from sts.spectra.spectrum import Spectrum

TIP = ["sample", "tip"]
VERDICT = ["verdict", "reasons"]
NUMBERS = ["sweeps", "sites", "barrier_eV", "barrier_low_eV", "barrier_high_eV"]


@dataclass(frozen=True, eq=False)
class Answer:
    """What the session says, now and before."""

    tips: pd.DataFrame  # one row per tip: NUMBERS and verdict now, the same as `before_`, moved_eV, moved_halves
    spectra: tuple[str, ...]  # labels of the averaged spectra now
    decided: (
        pd.DataFrame
    )  # one row per kind of sweep and tip that was decided about: omitted, kept, raised, lowered ...
    sentence: str  # how many decisions by hand, and which way; as the report says it
    cautions: tuple[str, ...]


def tips_then_and_now(opened: Analysis, now: Analysis) -> pd.DataFrame:
    """The table of tips with the numbers of before beside those of now.

    Parameters
    ----------
    opened, now : Analysis

    Returns
    -------
    pandas.DataFrame
        One row per tip that has a barrier before or now; what is not there is NaN. `moved_eV` is now less before,
        `moved_halves` the same in half widths of the interval before.
    """
    before, after = (_tips(analysis) for analysis in (opened, now))
    both = after.merge(before.add_prefix("before_").rename(columns={f"before_{c}": c for c in TIP}), on=TIP, how="outer",
                       sort=False)  # fmt: skip
    moved = both["barrier_eV"] - both["before_barrier_eV"]
    half = (both["before_barrier_high_eV"] - both["before_barrier_low_eV"]) / 2
    return both.assign(moved_eV=moved, moved_halves=moved / half)


@lru_cache(maxsize=2)
def _tips(analysis: Analysis) -> pd.DataFrame:
    """The table of now and before; that of before is asked for at every decision."""
    tips = analysis.barrier.tips if analysis.barrier is not None else pd.DataFrame()
    if tips.empty:
        return pd.DataFrame({c: pd.Series(dtype=float if c in NUMBERS else object) for c in (*TIP, *NUMBERS, *VERDICT)})
    verdicts: pd.DataFrame | None = getattr(analysis, "verdicts", None)
    if verdicts is None or verdicts.empty:
        return tips[[*TIP, *NUMBERS]].assign(**dict.fromkeys(VERDICT, ""))
    return (
        tips[[*TIP, *NUMBERS]].merge(verdicts[[*TIP, *VERDICT]], on=TIP, how="left").fillna(dict.fromkeys(VERDICT, ""))
    )


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
