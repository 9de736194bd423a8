"""From fitted I(z) sweeps to sites, tips and pairs of tips."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from sts.analysis.calibrated import Scales
from sts.analysis.changes import Course, change_flags, change_notes, changes_of, noted
from sts.analysis.results import BarrierAnalysis
from sts.analysis.states import states_of_tips
from sts.barrier import pair_directions, slopes_by_repeat
from sts.barrier.fit import BarrierFit
from sts.barrier.retract_approach import motion_by_tip
from sts.comparing import (
    advice,
    budget,
    compare_groups,
    compare_pairs,
    corrected_barrier,
    site_level,
    tip_level,
    variance_components,
)
from sts.comparing.averages import average_notes
from sts.comparing.scales import scale_parts, with_scales, with_total_interval
from sts.comparing.shape import with_shape
from sts.comparing.sites_and_tips import SITE, TIP, UNSTEADY
from sts.comparing.tip_change import TipChanges
from sts.flags import flags_of, join_flags
from sts.plan import Plan
from sts.provenance import Order
from sts.sweeps import SweepSet

Barriers = tuple[BarrierAnalysis, pd.DataFrame]  # with the flags of directions that disagree
NOT_CALIBRATED = (
    "The height scale was not calibrated: an error of 5 % in height is 10 % in every barrier; ratios of tips are not touched "
    "by it."
)

STATES_TOGETHER = (
    "Intervals of changes hold for all single tips together; 'would show from' is the rise of the barrier that nine of ten "
    "sessions with this scatter would show. Tables without a state take all states of a tip together."
)


def barrier_analysis(
    fits: Sequence[BarrierFit], sets: Sequence[SweepSet], used: Collection[str], plan: Plan, scales: Scales,
    course: Course,
) -> tuple[BarrierAnalysis, pd.DataFrame]:  # fmt: skip
    """Sites, tips and pairs of tips from the sweeps that are used, and the flags of directions that disagree and of tips that
    changed on the way.

    Parameters
    ----------
    fits : sequence of BarrierFit
        Of all sweeps of `sets`, in their order.
    sets : sequence of SweepSet
        Of kind ``"iz"``, calibrated.
    used : collection of str
        Names of the sweeps that are used.
    plan : Plan
    scales : Scales
        The height scales that `sets` are on.
    course : Course
        All sweeps of the session in order of measurement.
    """
    chosen = frozenset(used)
    fits = tuple(replace(fit, table=fit.table.assign(used=fit.table["sweep"].isin(chosen))) for fit in fits)
    sweeps = pd.concat([fit.table for fit in fits], ignore_index=True)
    directions, disagree = pair_directions(sweeps)
    sweeps["flags"] = flags_of(list(sweeps["sweep"]), join_flags([*(fit.flags for fit in fits), disagree]))
    assigned = (sweeps["unassigned"] == "").to_numpy(bool)
    empty = pd.DataFrame()
    notes = (
        []
        if any(scales.known)
        else [NOT_CALIBRATED if len(scales.known) == 1 else NOT_CALIBRATED.partition(";")[0] + "."]
    )
    bias = _common_bias(sets)
    result = BarrierAnalysis(
        fits=fits, sweeps=sweeps,
        directions=directions[directions["retract"].isin(sweeps.loc[assigned, "sweep"])].reset_index(drop=True),
        sites=empty, tips=empty, pairs=empty, groups=empty, components=empty, budget=empty, advice=(),
        notes=tuple(notes), unassigned=_unassigned(sweeps[~assigned]),
        bias_V=np.nan if bias is None else bias,
    )  # fmt: skip
    notes += _bend_notes(result.bends)
    result = replace(result, notes=tuple(notes))
    own = sweeps[assigned].drop(columns=["unassigned", "channel"], errors="ignore")
    slopes = slopes_by_repeat(own)
    if not slopes.empty:
        found = changes_of(slopes, own, course, plan.compare.confidence)
        flags = change_flags(found, course)
        if len(flags):
            sweeps["flags"] = flags_of(
                list(sweeps["sweep"]), join_flags([*(fit.flags for fit in fits), disagree, flags])
            )
        result = replace(result, notes=(*notes, *change_notes(found, course)), steps=found.changes, runs=found.runs)
        return _of_tips(result, slopes, bias, plan, scales, course.order), join_flags([disagree, flags])
    why = (
        "No I(z) sweep is left to compare: see the flags and decisions of the sweeps."
        if assigned.any()
        else "No I(z) sweep is assigned to a tip, so there is no barrier of a tip and nothing to compare."
    )
    return replace(result, notes=(*notes, why)), disagree


def _scale_parts(sites: pd.DataFrame, sweeps: pd.DataFrame, scales: Scales, plan: Plan) -> np.ndarray:
    """How much of the error of each height scale is in each tip (`scale_parts`)."""
    of_sweep = sweeps.assign(_scale=sweeps["sweep"].map(scales.of))
    of_site = of_sweep.groupby(SITE, sort=False, dropna=False)["_scale"].first()
    scale = sites[SITE].merge(of_site.reset_index(), on=SITE, how="left")["_scale"].to_numpy(int)
    unknown = plan.compare.height_scale_percent / 100
    return scale_parts(sites, scale, np.array([one.relative_se if one else unknown for one in scales.known]))


def _scale_notes(scales: Scales, plan: Plan) -> list[str]:
    """Whether the height scale cancels from ratios, where sweeps of several sessions are compared."""
    if len(scales.known) > 1:
        assumed = "" if all(scales.known) else f" ({plan.compare.height_scale_percent:g} % where it was not calibrated)"
        said = (
            f"Height scales differ ({'; '.join(scales.words)}): they do not cancel from the ratio of tips measured on different "
            f"ones. Their uncertainty{assumed} is in those ratios, not in groups of tips or changes of a tip."
        )
        return [said]
    if scales.sessions > 1 and scales.common is None:
        said = (
            "No session is calibrated: all are taken to be of one bench. If they are not, name the benches in a logbook column "
            "'bench'."
        )
        return [said]
    return []


def _one_day(tips: pd.DataFrame) -> list[str]:
    """That an interval from one day holds for that day, where there is one."""
    rows = tips[tips["sites"] > 1]
    once = [str(tip) or "(no name)" for tip in rows.loc[rows["days"] == 1, "tip"]]
    if not once:
        return []
    whose = "Intervals of tips" if len(once) == len(rows) else f"Intervals of {', '.join(once)}"
    return [f"{whose} rest on one day and hold for that day: how much a tip scatters from day to day is not known."]


def _bend_notes(bends: pd.DataFrame) -> list[str]:
    """Bends that the sweeps of a tip share, one sentence each."""
    return [
        f"Sweeps of tip {row['tip'] or '(no name)'} share a bend: {row['words']}. Noise does not bend all alike; the interval "
        "of the tip holds it, ratios of tips do not."
        for row in bends.to_dict("records")
    ]


def _unsteady_sites(sites: pd.DataFrame, told: TipChanges | None = None) -> list[str]:
    """Sites whose repeats scatter more than those of the tip's other sites, by how much: the tip may have changed there. Nothing
    of tips of which that is told already."""
    said = {row["tip"] for row in (*told.each_change, *told.each_run)} if told is not None else set()
    apart = sites[sites["note"].astype(str).str.contains(UNSTEADY, regex=False) & ~sites["tip"].isin(said)]
    return [
        f"Repeats of tip {row['tip'] or '(no name)'} at site {row['site'] or '(no name)'} scatter by {row['repeat_sd_eV']:.2g} eV "
        f"(standard deviation, {row['sweeps']} sweeps), more than at its other sites. Look at them: the tip may have changed."
        for row in apart.to_dict("records")
    ]


def _of_tips(
    result: BarrierAnalysis, slopes: pd.DataFrame, bias: float | None, plan: Plan, scales: Scales, order: Order
) -> BarrierAnalysis:
    """The result with everything that is made of the slopes of repeats: sites, tips, pairs, groups of tips, budget."""
    level, by, gap, average = plan.compare.confidence, plan.compare.by, plan.barrier.gap_nm, plan.compare.average
    calibration, parts = scales.common, None
    sites = site_level(slopes, confidence=level, calibration=calibration, average=average)
    tips = tip_level(sites, confidence=level, calibration=calibration, average=average)
    found = TipChanges(result.steps, result.runs)
    if len(scales.known) > 1:
        parts = _scale_parts(sites, result.sweeps, scales, plan)
        tips = with_scales(tips, parts, np.array([one is not None for one in scales.known]))
    tips = with_total_interval(
        tips,
        _scale_parts(sites, result.sweeps, scales, plan) if parts is None else parts,
        scales.known,
        confidence=level,
    )
    notes = [*result.notes, *_one_day(tips), *scales.notes, *_scale_notes(scales, plan), *_unsteady_sites(sites, found),
             *average_notes(tips, sites)]  # fmt: skip
    groups = tests = states = changes = pd.DataFrame()
    if by != "tip":
        own = result.sweeps[result.sweeps["unassigned"] == ""]
        paired = (
            None
            if by in tips
            else states_of_tips(own, by, order, confidence=level, calibration=calibration, average=average)
        )
        if paired is not None:
            states, changes = paired.tips, paired.changes
            notes += [*paired.notes, STATES_TOGETHER]
        else:
            comparison = compare_groups(tips, by, confidence=level)
            groups, tests = comparison.groups, comparison.tests
            notes += list(comparison.notes)
    pairs = compare_pairs(tips, confidence=level, scales=parts)
    noted(found, sites, tips, pairs)
    steady = tips[~pd.MultiIndex.from_frame(tips[TIP]).isin(pd.MultiIndex.from_frame(found.changes[TIP]))]
    if plan.barrier.correct:
        tips["barrier_corrected_eV"] = [
            corrected_barrier(barrier, plan.barrier.correct, bias_V=bias, gap_nm=gap) for barrier in tips["barrier_eV"]
        ]
        notes.append(
            f"barrier_corrected_eV holds the barriers corrected for {' and '.join(plan.barrier.correct)} by model (gap "
            f"{gap:g} nm); the apparent barriers, and every comparison, are as measured."
        )
    return replace(
        result, sites=with_shape(sites, result.bends), tips=with_shape(tips, result.bends),
        pairs=pairs, groups=groups, group_tests=tests, states=states,
        changes=changes,
        components=variance_components(slopes), budget=budget(
            tips, calibration, bias_V=bias, gap_nm=gap, bends=result.bends, motion=motion_by_tip(result.sweeps)
        ),
        advice=advice(steady, by="" if by == "tip" else by, confidence=level), notes=tuple(notes),
    )  # fmt: skip


def _unassigned(sweeps: pd.DataFrame) -> pd.DataFrame:
    """Sweeps without a tip by series: how many, and from where to where their barriers go. No interval: nobody knows of
    what these are replicates."""
    if sweeps.empty:
        return pd.DataFrame()
    good = sweeps["used"].astype(bool) & np.isfinite(sweeps["barrier_eV"])
    groups = sweeps.assign(_barrier=sweeps["barrier_eV"].where(good)).groupby(["sample", "unassigned"], sort=False)
    return groups.agg(
        sweeps=("sweep", "size"), used=("_barrier", "count"), median_eV=("_barrier", "median"),
        lowest_eV=("_barrier", "min"), highest_eV=("_barrier", "max"),
    ).reset_index()  # fmt: skip


def _common_bias(sets: Sequence[SweepSet]) -> float | None:
    """The bias of the ramps where all were taken at the same [V]."""
    values = np.concatenate([part.table["bias_V"].to_numpy(float) for part in sets])
    return float(values[0]) if np.isfinite(values).all() and np.ptp(values) < 1e-6 else None


def without_slope(fits: Sequence[BarrierFit]) -> frozenset[str]:
    """Names of the sweeps of which nobody can use anything.

    Parameters
    ----------
    fits : sequence of BarrierFit
    """
    return frozenset(name for fit in fits for name in fit.table.loc[~np.isfinite(fit.table["decay_per_nm"]), "sweep"])
