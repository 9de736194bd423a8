"""How many sites, repeats and minutes the next session needs, from the scatter and the times of a session."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from sts.analysis.results import Analysis
from sts.analysis.run import analyse
from sts.analysis.states import by_repeat
from sts.barrier import slopes_by_repeat
from sts.comparing.planning import MINUTES_PER_REPEAT, MINUTES_PER_SITE, Aim, NextSession, plan_session, site_scatter
from sts.curves.replicates import REPLICATE
from sts.plan import Plan
from sts.session import Session

FEWEST_TIMES = 3  # differences of times of which a median is taken


def how_many(
    session: Session | str | Path,
    plan: Plan | None = None,
    *,
    percent: float = 5.0,
    power: float = 0.9,
    by: str = "",
    minutes_per_repeat: float | None = None,
    minutes_per_site: float | None = None,
) -> NextSession:
    """How many sites and repeats the next session needs to tell two tips (or two states of a tip) apart, and which is cheaper.

    Parameters
    ----------
    session : Session or path
        With I(z) sweeps of one tip or more, at several sites.
    plan : Plan, optional
        Every setting; `compare.confidence` is the level of the test that is planned for.
    percent, power : float
        Difference of the barriers [%], and the chance to show it (0.5 to 1).
    by : str
        Column with the state of the tip (before, after): plan for the change of a tip at revisited sites.
    minutes_per_repeat, minutes_per_site : float, optional
        Time for one repeat, and to come to a new site [min]; else as recorded, else 1 and 5 (common practice, no source).

    Raises
    ------
    ValueError
        If there are no I(z) sweeps, no tip with two sites, no such column, or the difference or the power is none.

    Examples
    --------
    >>> for site in (1, 2, 3):
    ...     made = sts.simulate_iz(barrier_eV=4.0 + 0.1 * site, sweeps=2, bench=sts.simulate.Bench(white_A=1e-12), seed=site)
    ...     np.savez(f"{site}.npz", height_m=made.sweeps.axis, current_A=made.sweeps.current)
    ...     imported = sts.import_files([f"{site}.npz"], "s.h5", values={"tip": "heron", "site": str(site)})
    >>> needed = sts.how_many("s.h5", percent=10)
    >>> needed.scatter.dof, needed.options["repeats"].tolist()
    (2.0, [1, 2, 3, 4, 6, 8, 12])
    """
    analysis = analyse(session, plan, only="iz")
    assert analysis.barrier is not None
    sweeps = analysis.barrier.sweeps
    sweeps = sweeps[sweeps["unassigned"] == ""]
    if by and by not in sweeps:
        raise ValueError(
            f"The sweeps have no column '{by}'. Add it with a logbook: sts annotate SESSION --logbook FILE."
        )
    repeats = by_repeat(sweeps, by) if by else slopes_by_repeat(sweeps)
    if repeats.empty:
        raise ValueError(
            "No I(z) sweep of a tip is used, so there is no scatter to plan from: see 'sts check SESSION'."
        )
    scatter = site_scatter(repeats, by=by)
    for_repeat, for_site = recorded_minutes(analysis)
    chosen = Aim(
        percent, power, analysis.plan.compare.confidence,
        _first(minutes_per_repeat, for_repeat, MINUTES_PER_REPEAT), _first(minutes_per_site, for_site, MINUTES_PER_SITE),
    )  # fmt: skip
    found = plan_session(scatter, chosen)
    return replace(
        found, notes=(*found.notes, _times_said(chosen, minutes_per_repeat, for_repeat, minutes_per_site, for_site))
    )


def _first(*values: float | None) -> float:
    return float(next(v for v in values if v is not None))


def _times_said(aim: Aim, *values: float | None) -> str:
    said = []
    for number, what, given, seen in (
        (aim.minutes_per_repeat, "for a repeat", *values[:2]),
        (aim.minutes_per_site, "to come to a new site", *values[2:]),
    ):
        source = (
            "as asked" if given is not None else "as recorded" if seen is not None else "common practice, not recorded"
        )
        said.append(f"{number:.2g} minute{'' if number == 1 else 's'} {what} ({source})")
    return f"Times: {', '.join(said)}."


def recorded_minutes(analysis: Analysis) -> tuple[float | None, float | None]:
    """Time for one repeat and to come to a new site, from the recorded starts [min]; None where these do not tell.

    Parameters
    ----------
    analysis : Analysis
        With I(z) sweeps.
    """
    table = pd.concat([part.table for part in analysis.sets if part.kind == "iz"], ignore_index=True)
    start = pd.to_datetime(table["started"].replace("", None), errors="coerce", utc=True, format="ISO8601")
    table = table.assign(_start=start)[start.notna()].sort_values("_start", kind="stable")
    first = table.groupby(["sample", "tip", "site", REPLICATE], sort=False)["_start"].min().reset_index()
    same = first[["sample", "tip"]].eq(first[["sample", "tip"]].shift()).all(axis=1)
    stayed = same & (first["site"] == first["site"].shift())
    minutes = first["_start"].diff().dt.total_seconds() / 60
    for_repeat = _median(minutes[stayed])
    to_site = _median(minutes[same & ~stayed])
    if for_repeat is None or to_site is None:
        return for_repeat, None
    return for_repeat, max(to_site - for_repeat, 0.0)


def _median(minutes: pd.Series) -> float | None:
    known = minutes[minutes > 0]
    return float(np.median(known)) if len(known) >= FEWEST_TIMES else None
