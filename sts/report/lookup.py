"""What is known about an analysis, looked up in one place: sweeps, flags, calibrations, recorded circumstances."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from sts.analysis import Analysis
from sts.quantities import LEAST_BIAS, range_with_prefix
from sts.report.number_words import distinct, listed, minus


def all_sweeps(analysis: Analysis) -> pd.DataFrame:
    """One row per sweep: what was judged, with what the files and the logbook say beside it.

    Parameters
    ----------
    analysis : Analysis
    """
    tables = [
        s.table.assign(kind=s.kind, points=len(s.axis), axis_from=s.axis[0], axis_to=s.axis[-1]) for s in analysis.sets
    ]
    if not tables:
        return analysis.judged
    known = pd.concat(tables, ignore_index=True)
    extra = [c for c in known.columns if c not in analysis.judged.columns or c == "sweep"]
    return analysis.judged.merge(known[extra], on="sweep", how="left")


def low_barrier_tips(analysis: Analysis) -> list[tuple[str, str]]:
    """(sample, tip) whose used sweeps carry the flag "low barrier" for the most part.

    Parameters
    ----------
    analysis : Analysis
    """
    if analysis.barrier is None:
        return []
    sweeps = analysis.barrier.sweeps
    used = sweeps[sweeps["used"].astype(bool) & (sweeps["unassigned"] == "")]
    low = used["sweep"].isin(analysis.flags.loc[analysis.flags["flag"] == "low barrier", "sweep"])
    share = low.groupby([used["sample"], used["tip"]], sort=False).mean()
    return [(str(key[0]), str(key[1])) for key, value in share.items() if value > 0.5 and isinstance(key, tuple)]


def stated(analysis: Analysis, item: str, columns: Sequence[str]) -> str:
    """What the plan or columns of the user's own (logbook, headers) say about a circumstance; "" if nothing does.

    Parameters
    ----------
    analysis : Analysis
    item : str
        Of the checklist.
    columns : sequence of str
        Where to look, in small letters.
    """
    if item in analysis.plan.report.facts:
        return analysis.plan.report.facts[item]
    found: dict[str, None] = {}
    for sweeps in analysis.sets:
        known = {str(c).strip().lower().replace(" ", "_"): c for c in sweeps.table.columns}
        mine = [known[name] for name in columns if name in known]
        if not mine:  # pandas finds no two rows of no columns alike
            continue
        for values in sweeps.table[mine].drop_duplicates().itertuples(index=False):
            words = " ".join(distinct(pd.Series(list(values), dtype=object)))  # "etched" "tungsten" of one tip
            if words:
                found[words] = None
    return listed(list(found))


def axis_reach(axis: np.ndarray, kind: str, digits: int = 3) -> str:
    """From where to where a sweep goes, in the unit that suits it; heights from the end near the surface.

    Parameters
    ----------
    axis : ndarray, shape (n,)
        Bias [V] or height [m], rising.
    kind : str
        ``"iv"`` or ``"iz"``.
    digits : int
        Significant ones.
    """
    first, last = float(axis[0]), float(axis[-1])
    if kind == "iz":
        return f"0 to {(last - first) * 1e9:.{digits}g} nm"
    return range_with_prefix(first, last, "V", digits, least=LEAST_BIAS)


def axis_words(analysis: Analysis, kind: str) -> str:
    """The ranges and numbers of points of the sweeps of a kind; heights from the end near the surface.

    Parameters
    ----------
    analysis : Analysis
    kind : str
        ``"iv"`` or ``"iz"``.
    """
    parts = dict.fromkeys(
        minus(f"{axis_reach(s.axis, kind, 4)} in {len(s.axis)} points") for s in analysis.sets if s.kind == kind
    )
    return listed(list(parts)[:6]) + (f" and {len(parts) - 6} more" if len(parts) > 6 else "")
