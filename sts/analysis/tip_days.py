"""What one session says of each tip on each of its days: the parts that the record of a tip is made of."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from sts.analysis.measured import Measured, measure
from sts.analysis.results import BarrierAnalysis
from sts.comparing import Calibration, tip_verdicts
from sts.flags import join_flags
from sts.plan import Plan
from sts.session import Session

TIP_DAY = ["sample", "tip", "day"]
GAP_COLUMNS = ("sample", "tip", "sweeps_used", "gap_meV", "gap_se_meV", "gap_method")


@dataclass(frozen=True, eq=False)
class TipDays:
    """The parts of one session; every table has the columns `sample`, `tip` and `day`.

    Attributes
    ----------
    session : str
        Name of its file.
    sites : pandas.DataFrame
        As barrier_sites.csv.
    sweeps : pandas.DataFrame
        `kind`, `used`, `jump`, `noise_pA` of every sweep with a tip.
    drifts : pandas.DataFrame
        `drift_pm_per_s` of every pair of retract and approach.
    gaps : pandas.DataFrame
        `sweeps_used`, `gap_meV`, `gap_se_meV`, `gap_method` of every spectrum.
    verdicts : pandas.DataFrame
        As tip_verdicts.csv.
    heights : dict
        Day to the calibration of its heights; None where there is none.
    """

    session: str
    sites: pd.DataFrame
    sweeps: pd.DataFrame
    drifts: pd.DataFrame
    gaps: pd.DataFrame
    verdicts: pd.DataFrame
    heights: dict[str, Calibration | None]


def lean(plan: Plan) -> Plan:
    """The plan without what the record of a tip does not show: peaks, line shapes, the quotient with broadened I/V.

    Parameters
    ----------
    plan : Plan
    """
    nothing = {"peaks": False, "superconductor": False, "resonance": False, "inelastic_step": False}
    groups = {"by": ["sample", "tip", "setpoint_current_A"], "beside": "none"}
    return plan.model_copy(
        update={
            "features": plan.features.model_copy(update=nothing),
            "spectra": plan.spectra.model_copy(update=groups),
            "compare": plan.compare.model_copy(update={"by": "tip"}),
            "barrier": plan.barrier.model_copy(update={"correct": []}),
        }
    )


def tip_days(path: str | Path, plan: Plan, days: Mapping[str, Collection[str] | None]) -> TipDays:
    """Analyse each day of a session as a session of its own.

    Parameters
    ----------
    path : path
    plan : Plan
        Every setting.
    days : mapping of str to collection of str, or None
        Names of the sweeps of each day; None for all that the session holds.

    Raises
    ------
    SessionError
        If it cannot be read.
    """
    session, settings = Session.open(path), lean(plan)
    decisions = session.decisions()
    parts: dict[str, list[pd.DataFrame]] = {name: [] for name in ("sites", "sweeps", "drifts", "gaps", "verdicts")}
    heights = {}
    for day, names in days.items():
        measured = measure(session, settings, sweeps=None if names is None else list(names))
        heights[day] = measured.scales.common
        for name, table in _of_day(measured, decisions):
            parts[name].append(table.assign(day=day))
    tables = {name: _joined(found) for name, found in parts.items()}
    return TipDays(session=Path(path).name, heights=heights, **tables)


def scale_of(height: Calibration | None) -> tuple[float, float, str] | None:
    """What makes two height scales one: factor, its uncertainty and where it comes from.

    Parameters
    ----------
    height : Calibration, optional
    """
    return None if height is None else (height.factor, height.factor_se, height.source)


def _joined(parts: list[pd.DataFrame]) -> pd.DataFrame:
    there = [part for part in parts if len(part)]
    return pd.concat(there, ignore_index=True) if there else pd.DataFrame(columns=TIP_DAY)


def _of_day(measured: Measured, decisions: pd.DataFrame) -> Iterator[tuple[str, pd.DataFrame]]:
    """The tables of sweeps that were measured in one go."""
    judged = measured.judge(decisions)
    used = frozenset(judged.loc[judged["used"].astype(bool), "sweep"])
    barrier, flags = None, measured.flags
    if measured.fits:
        barrier, more = measured.barriers(used)
        flags = join_flags([flags, more])
        yield "sites", barrier.sites
        yield "drifts", barrier.directions.reindex(columns=["sample", "tip", "drift_pm_per_s"])
    if measured.settled:
        yield "gaps", _gaps(measured, used, barrier)
    tables = barrier.tip_tables if barrier is not None else None
    yield "verdicts", tip_verdicts(judged, flags, tables, measured.plan.verdict, measured.plan.compare.confidence)
    yield "sweeps", _sweeps(judged, flags, barrier)


def _sweeps(judged: pd.DataFrame, flags: pd.DataFrame, barrier: BarrierAnalysis | None) -> pd.DataFrame:
    named = judged.loc[judged["tip"] != "", ["sweep", "sample", "tip", "kind", "used"]]
    jumps = set(flags.loc[flags["flag"] == "jump", "sweep"])
    noise: dict[Any, float] = {}
    if barrier is not None:
        noise = dict(zip(barrier.sweeps["sweep"], barrier.sweeps["noise_pA"], strict=True))
    return named.assign(
        jump=[name in jumps for name in named["sweep"]], noise_pA=[noise.get(name, np.nan) for name in named["sweep"]]
    )


def _gaps(measured: Measured, used: frozenset[str], barrier: BarrierAnalysis | None) -> pd.DataFrame:
    """The gap of each spectrum of one tip."""
    tips = {tip for part in measured.settled for tip in part.table["tip"] if tip}
    own = replace(measured.spectra, over_tips=False)
    summary = own.summarise(used, barrier, ()).summary
    return summary.loc[summary["tip"].isin(tips), list(GAP_COLUMNS)]
