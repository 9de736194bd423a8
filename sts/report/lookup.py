"""What is known about an analysis, looked up in one place: sweeps, flags, calibrations, recorded circumstances."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from sts.analysis import Analysis
from sts.report.number_words import distinct, listed, minus
from sts.sweeps import AXIS_UNITS


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
        for values in sweeps.table[mine].drop_duplicates().itertuples(index=False):
            words = " ".join(distinct(pd.Series(list(values), dtype=object)))  # "etched" "tungsten" of one tip
            if words:
                found[words] = None
    return listed(list(found))


def axis_words(analysis: Analysis, kind: str) -> str:
    """The ranges and numbers of points of the sweeps of a kind; heights from the end near the surface.

    Parameters
    ----------
    analysis : Analysis
    kind : str
        ``"iv"`` or ``"iz"``.
    """
    scale, unit = (1.0, AXIS_UNITS["iv"]) if kind == "iv" else (1e9, "nm")
    parts = dict.fromkeys(
        minus(f"{(s.axis[0] - near) * scale:.4g} to {(s.axis[-1] - near) * scale:.4g} {unit} in {len(s.axis)} points")
        for s in analysis.sets if s.kind == kind
        for near in [s.axis[0] if kind == "iz" else 0.0]
    )  # fmt: skip
    return listed(list(parts)[:6]) + (f" and {len(parts) - 6} more" if len(parts) > 6 else "")
