"""The whole analysis of a session: sweeps judged, spectra averaged, barriers fitted, tips compared."""

from __future__ import annotations

import platform
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from importlib.metadata import version
from pathlib import Path
from typing import Any, Literal

import numpy as np
import pandas as pd
from scipy import stats

from sts import __version__
from sts.comparing import (
    Calibration,
    advice,
    budget,
    compare_groups,
    compare_pairs,
    corrected_barrier,
    site_level,
    tip_level,
    variance_components,
)
from sts.fitting import fit_barrier, pair_directions, slopes_by_repeat, window_sensitivity
from sts.fitting.barrier import BarrierFit
from sts.fitting.features import with_features
from sts.flags import flag_rows, flags_of, join_flags, no_flags
from sts.plan import Plan
from sts.processing import average_spectrum, bias_offset_from_symmetry, find_offsets, group_sweeps, judge_iv
from sts.processing.gap_variation import to_constant_separation
from sts.processing.spectrum import Offsets, Spectrum, group_label
from sts.provenance import Order, measurement_order, series_of
from sts.quantities import thermal_width
from sts.session import Session
from sts.sweeps import SweepSet

Progress = Callable[[int, int], None]

SPECTRA_COLUMNS = (
    "bias_V", "current_A", "current_se_A", "didv_S", "didv_se_S", "didv_low_S", "didv_high_S", "normalised",
    "normalised_se", "normalised_low", "normalised_high", "trusted",
)  # fmt: skip
SUMMARY_COLUMNS = (
    "sweeps_used", "sweeps_omitted", "temperature_K", "average", "smoothing", "thermal_meV", "modulation_meV",
    "smoothing_meV", "resolution_meV", "current_offset_pA", "bias_offset_mV", "displacement_fF", "gap_meV", "gap_se_meV",
    "gap_method", "flags",
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class BarrierAnalysis:
    """Everything the I(z) sweeps said. Tables have the columns of the CSV of the same name, and more to the right."""

    fits: tuple[BarrierFit, ...]  # one for each set of sweeps
    sweeps: pd.DataFrame  # barrier_sweeps.csv
    directions: pd.DataFrame  # one row for each retract/approach pair: slopes, drift_pm_per_s, ...
    sites: pd.DataFrame  # barrier_sites.csv
    tips: pd.DataFrame  # barrier_tips.csv
    pairs: pd.DataFrame  # barrier_pairs.csv
    groups: pd.DataFrame  # groups of tips (made_by, ...): means with tips as replicates; empty unless asked for
    components: pd.DataFrame  # variance components: level, sd_eV, share, ...
    budget: pd.DataFrame  # per tip: component, size_eV, kind (random / calibration / model), note
    window: pd.DataFrame  # how φ moves with the cuts: sweep, lower_cut_nm, upper_cut_nm, barrier_eV
    advice: tuple[str, ...]  # what would narrow the intervals, with sizes
    notes: tuple[str, ...]  # what could not be said, and why
    group_tests: pd.DataFrame = field(default_factory=pd.DataFrame)  # tests between groups of tips
    unassigned: pd.DataFrame = field(default_factory=pd.DataFrame)  # barrier_unassigned.csv: sweeps without a tip


@dataclass(frozen=True, eq=False)
class SpectraAnalysis:
    """Everything the I(V) sweeps said."""

    spectra: tuple[Spectrum, ...]
    table: pd.DataFrame  # spectra.csv
    summary: pd.DataFrame  # spectra_summary.csv
    notes: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class Analysis:
    """All results of one session under one plan."""

    session: str  # name of the session file
    plan: Plan
    sets: tuple[SweepSet, ...]  # as read, currents times the calibration in force
    judged: (
        pd.DataFrame
    )  # sweep, kind, sample, tip, site, ..., flags, reasons, used, decided_by, in order of measurement
    sources: pd.DataFrame  # name, sha256, size, reader, recipe, imported
    decisions: pd.DataFrame  # time, sweep, action, why
    calibrations: pd.DataFrame  # kind, factor, factor_se, measured, known, source, time
    barrier: BarrierAnalysis | None
    spectra: SpectraAnalysis | None
    versions: dict[str, str]  # sts, python, numpy, scipy, ...
    order: Order = field(default_factory=lambda: Order((), "names"))  # in which the sweeps were measured


def judge(session: Session | str | Path, plan: Plan | None = None, *, progress: Progress | None = None) -> pd.DataFrame:
    """Judge every sweep of a session.

    Parameters
    ----------
    session : Session or path
    plan : Plan, optional
    progress : callable(done, total), optional

    Returns
    -------
    pandas.DataFrame
        One row a sweep, in order of measurement: `sweep`, `kind`, `sample`, `tip`, `site`, `direction`, `repeat`,
        `unassigned` (the series of a sweep that stands for no tip), `flags`, `reasons` (with sizes), `used`, `decided_by`
        ("rule" or "person").
    """
    opened = _opened(session)
    settings = plan or Plan()
    calibrations = opened.calibrations()
    sources = opened.sources()
    sets = _with_series(_calibrated(opened.sets(), calibrations), sources)
    decisions = opened.current_decisions()
    omit, keep = _by_person(decisions)
    factor = _factor(calibrations, "height")
    flags, unusable = [], set()
    for done, part in enumerate(sets):
        if part.kind == "iv":
            flags.append(judge_iv(part, settings.check))
        else:
            fit = fit_barrier(part, settings, omit=omit, keep=keep, height_factor=factor)
            flags.append(fit.flags)
            unusable |= set(fit.table.loc[~np.isfinite(fit.table["decay_per_nm"]), "sweep"])
        _tell(progress, done + 1, len(sets))
    return _judged(sets, join_flags(flags), decisions, settings, unusable, _order(sets, sources))


def analyse(
    session: Session | str | Path,
    plan: Plan | None = None,
    *,
    only: Literal["iv", "iz", ""] = "",
    progress: Progress | None = None,
) -> Analysis:
    """Judge every sweep, average the spectra, fit the barriers, compare the tips.

    Parameters
    ----------
    session : Session or path
    plan : Plan, optional
        Every setting; the defaults if not given.
    only : str
        ``"iv"`` or ``"iz"`` for one side of the work.
    progress : callable(done, total), optional

    Returns
    -------
    Analysis

    Raises
    ------
    ValueError
        If the session holds no sweeps of the kind asked for.
    """
    opened = _opened(session)
    settings = plan or Plan()
    calibrations = opened.calibrations()
    sources = opened.sources()
    sets = _with_series(_calibrated(opened.sets(only or None), calibrations), sources)
    if not sets:
        kinds = {"iv": "I(V) sweeps", "iz": "I(z) sweeps", "": "sweeps"}[only]
        raise ValueError(f"{opened.path}: there are no {kinds} in this session. Import some with 'sts import'.")
    decisions = opened.current_decisions()
    omit, keep = _by_person(decisions)
    height_sets = [part for part in sets if part.kind == "iz"]
    bias_sets = [part for part in sets if part.kind == "iv"]
    flags: list[pd.DataFrame] = []
    unusable: set[str] = set()
    barrier, spectra = None, None
    steps = len(height_sets) + len(bias_sets) + 1
    if height_sets:
        barrier, flags_iz = _barriers(height_sets, settings, omit, keep, calibrations, progress, steps)
        flags.append(flags_iz)
        unusable = set(barrier.sweeps.loc[~np.isfinite(barrier.sweeps["decay_per_nm"]), "sweep"])
    if bias_sets:
        judged = [judge_iv(part, settings.check) for part in bias_sets]
        flags += judged
        decay = _decay_by_site(barrier)
        spectra = _spectra(bias_sets, judged, settings, omit, keep, decay, _current_note(calibrations))
        flags += [s.flags[s.flags["sweep"] != ""] for s in spectra.spectra if s.flags is not None]
    _tell(progress, steps, steps)
    order = _order(sets, sources)
    return Analysis(
        session=opened.path.name,
        plan=settings,
        sets=tuple(sets),
        judged=_judged(sets, join_flags(flags), decisions, settings, unusable, order),
        sources=sources,
        decisions=opened.decisions(),
        calibrations=calibrations,
        barrier=barrier,
        spectra=spectra,
        versions=_versions(),
        order=order,
    )


def _with_series(sets: Sequence[SweepSet], sources: pd.DataFrame) -> list[SweepSet]:
    """The sets with the series of each sweep that has no tip, which stands in for a tip nobody named."""
    return [s.with_table(s.table.assign(unassigned=np.array(series_of(s.table, sources), object))) for s in sets]


def _order(sets: Sequence[SweepSet], sources: pd.DataFrame) -> Order:
    return measurement_order(
        pd.concat([s.table[["sweep", "started", "source"]] for s in sets], ignore_index=True), sources
    )


def _opened(session: Session | str | Path) -> Session:
    return session if isinstance(session, Session) else Session.open(session)


def _tell(progress: Progress | None, done: int, total: int) -> None:
    if progress is not None:
        progress(done, total)


def _by_person(decisions: dict[str, tuple[str, str]]) -> tuple[set[str], set[str]]:
    omit = {sweep for sweep, (action, _) in decisions.items() if action == "omit"}
    return omit, set(decisions) - omit


def _judged(
    sets: Sequence[SweepSet],
    flags: pd.DataFrame,
    decisions: dict[str, tuple[str, str]],
    plan: Plan,
    unusable: set[str],
    sequence: Order,
) -> pd.DataFrame:
    """One row a sweep with flags, reasons and who decided, in order of measurement."""
    columns = ["sweep", "sample", "tip", "site", "direction", "repeat", "unassigned"]
    table = pd.concat([part.table[columns].assign(kind=part.kind) for part in sets], ignore_index=True)
    names = list(table["sweep"])
    table["flags"] = flags_of(names, flags)
    table["reasons"] = flags_of(names, flags, column="detail")
    grave = set(plan.check.omit)
    by_rule = {s for s, f in zip(flags["sweep"], flags["flag"], strict=True) if f in grave} | unusable
    used, decided, reasons = [], [], []
    for name, reason in zip(names, table["reasons"], strict=True):
        action, why = decisions.get(name, ("", ""))
        used.append(name not in unusable and (action == "keep" if action else name not in by_rule))
        decided.append("person" if action else "rule")
        reasons.append(
            "; ".join(part for part in (f"{action}: {why}" if action else "", reason.replace(";", "; ")) if part)
        )
    table["reasons"], table["used"], table["decided_by"] = reasons, used, decided
    order = ["sweep", "kind", *columns[1:], "flags", "reasons", "used", "decided_by"]
    return table.set_index("sweep").loc[list(sequence.names)].reset_index()[order]


# --- barriers --------------------------------------------------------------------------------------------------------


def _in_force(calibrations: pd.DataFrame, kind: str) -> Any:
    rows = calibrations[calibrations["kind"] == kind]
    return rows.iloc[-1] if len(rows) else None


def _factor(calibrations: pd.DataFrame, kind: str) -> float:
    row = _in_force(calibrations, kind)
    return 1.0 if row is None else float(row["factor"])


def _calibrated(sets: Sequence[SweepSet], calibrations: pd.DataFrame) -> list[SweepSet]:
    """The sets with every current, set-point and full scale times the current calibration in force."""
    factor = _factor(calibrations, "current")
    if factor == 1:
        return list(sets)
    columns = ["setpoint_current_A", "full_scale_A"]
    return [
        replace(part, current=part.current * factor, table=part.table.assign(**{c: part.table[c] * factor for c in columns}))
        for part in sets
    ]  # fmt: skip


def _current_note(calibrations: pd.DataFrame) -> list[str]:
    """What the calibration of the current does to the spectra, and what the bands do not hold."""
    row = _in_force(calibrations, "current")
    if row is None:
        return []
    factor, error = float(row["factor"]), float(row["factor_se"])
    words = (
        f"Every current and set-point was multiplied by {factor:.4g} ± {error:.2g} ({row['source']}). Its "
        f"{100 * error / factor:.1f} % are common to all currents and conductances and are not in their bands; "
        "(dI/dV)/(I/V) and gaps do not feel them."
    )
    return [words]


def _barriers(
    sets: Sequence[SweepSet],
    plan: Plan,
    omit: set[str],
    keep: set[str],
    calibrations: pd.DataFrame,
    progress: Progress | None,
    steps: int,
) -> tuple[BarrierAnalysis, pd.DataFrame]:
    row = _in_force(calibrations, "height")
    calibration = (
        None if row is None else Calibration(float(row["factor"]), float(row["factor_se"]), str(row["source"]))
    )
    factor = _factor(calibrations, "height")
    level = plan.compare.confidence
    fits, window = [], []
    for done, part in enumerate(sets):
        fit = fit_barrier(part, plan, omit=omit, keep=keep, height_factor=factor)
        fits.append(fit)
        window.append(window_sensitivity(fit))
        _tell(progress, done + 1, steps)
    sweeps = pd.concat([fit.table for fit in fits], ignore_index=True)
    directions, disagree = pair_directions(sweeps)
    flags = join_flags([*(fit.flags for fit in fits), disagree])
    sweeps["flags"] = flags_of(list(sweeps["sweep"]), flags)
    notes = []
    if calibration is None:
        notes.append(
            "The height scale was not calibrated: an error of 5 % in height is 10 % in every barrier; ratios of tips "
            "are not touched by it."
        )
    empty = pd.DataFrame()
    windows = pd.concat(window, ignore_index=True)
    assigned = sweeps["unassigned"] == ""
    directions = directions[directions["retract"].isin(sweeps.loc[assigned, "sweep"])].reset_index(drop=True)
    unassigned = _unassigned(sweeps[~assigned])
    repeats = slopes_by_repeat(sweeps[assigned].drop(columns=["unassigned", "channel"], errors="ignore"))
    if repeats.empty:
        notes.append(
            "No I(z) sweep is left to compare: see the flags and decisions of the sweeps."
            if assigned.any()
            else "No I(z) sweep is assigned to a tip, so there is no barrier of a tip and nothing to compare."
        )
        result = BarrierAnalysis(
            fits=tuple(fits), sweeps=sweeps, directions=directions, sites=empty, tips=empty, pairs=empty, groups=empty,
            components=empty, budget=empty, window=windows, advice=(), notes=tuple(notes), unassigned=unassigned,
        )  # fmt: skip
        return result, flags
    sites = site_level(repeats, confidence=level, calibration=calibration)
    tips = tip_level(sites, confidence=level, calibration=calibration)
    pairs = compare_pairs(tips, confidence=level)
    components = variance_components(repeats)
    groups, tests = empty, empty
    if plan.compare.by != "tip":
        comparison = compare_groups(tips, plan.compare.by, confidence=level)
        groups, tests = comparison.groups, comparison.tests
        notes += list(comparison.notes)
    bias, gap = _bias(sets), plan.barrier.gap_nm
    if plan.barrier.correct:
        tips["barrier_corrected_eV"] = [
            corrected_barrier(barrier, plan.barrier.correct, bias_V=bias, gap_nm=gap) for barrier in tips["barrier_eV"]
        ]
        notes.append(
            f"barrier_corrected_eV holds the barriers corrected for {' and '.join(plan.barrier.correct)} by model (gap "
            f"{gap:g} nm); the apparent barriers, and every comparison, are as measured."
        )
    result = BarrierAnalysis(
        fits=tuple(fits),
        sweeps=sweeps,
        directions=directions,
        sites=sites,
        tips=tips,
        pairs=pairs,
        groups=groups,
        components=components,
        budget=budget(tips, calibration, bias_V=bias, gap_nm=gap),
        window=windows,
        advice=advice(tips, by="" if plan.compare.by == "tip" else plan.compare.by, confidence=level),
        notes=tuple(notes),
        group_tests=tests,
        unassigned=unassigned,
    )
    return result, flags


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


# --- spectra ---------------------------------------------------------------------------------------------------------


def _bias(sets: Sequence[SweepSet]) -> float | None:
    """The bias of the ramps where all were taken at the same [V]."""
    values = np.concatenate([part.table["bias_V"].to_numpy(float) for part in sets])
    return float(abs(values[0])) if np.isfinite(values).all() and np.ptp(np.abs(values)) < 1e-6 else None


def _decay_by_site(barrier: BarrierAnalysis | None) -> dict[tuple[str, str, str], tuple[float, float]]:
    """Decay [1/m] and its uncertainty at each (sample, tip, site), for variable-gap spectra."""
    if barrier is None or barrier.sites.empty:
        return {}
    return {
        (str(r["sample"]), str(r["tip"]), str(r["site"])): (r["decay_per_nm"] * 1e9, r["decay_se_per_nm"] * 1e9)
        for r in barrier.sites.to_dict("records")
    }


def _spectra(
    sets: Sequence[SweepSet],
    judged: Sequence[pd.DataFrame],
    plan: Plan,
    omit: set[str],
    keep: set[str],
    decay: dict[Any, tuple[float, float]],
    notes: list[str],
) -> SpectraAnalysis:
    notes = list(notes)
    spectra: list[Spectrum] = []
    offsets = _offsets(sets, judged, plan, omit)
    axes: dict[Any, set[int]] = {}
    for number, part in enumerate(sets):
        for keys, group in _groups(part, plan.spectra.by):
            axes.setdefault(tuple(keys.items()), set()).add(number)
            try:
                spectra.append(_spectrum(group, keys, plan, omit, keep, offsets.get(_setting(group)), decay))
            except ValueError as error:
                notes.append(f"{group_label(keys)}: {error}")
    spectra += _over_tips(sets, spectra, plan, omit, keep, offsets)
    for group_keys, numbers in axes.items():
        if len(numbers) > 1:
            notes.append(
                f"{group_label(dict(group_keys))}: its sweeps have {len(numbers)} different bias axes; they were averaged axis "
                "by axis, since nothing is interpolated."
            )
    if spectra:
        table = pd.concat([_long(s) for s in spectra], ignore_index=True)
        summary = pd.DataFrame([_summary(s, plan) for s in spectra])
    else:  # no rows, but the columns of the contract
        table, summary = (pd.DataFrame(columns=[*plan.spectra.by, *c]) for c in (SPECTRA_COLUMNS, SUMMARY_COLUMNS))
    return SpectraAnalysis(tuple(spectra), table, summary, tuple(notes))


def _groups(part: SweepSet, by: Sequence[str]) -> list[tuple[dict[str, Any], SweepSet]]:
    """The groups of a set; sweeps without a tip by their series, too."""
    assigned = (part.table["unassigned"] == "").to_numpy(bool)
    groups = group_sweeps(part.select(assigned), by) if assigned.any() else []
    return groups + (group_sweeps(part.select(~assigned), [*by, "unassigned"]) if not assigned.all() else [])


def _over_tips(
    sets: Sequence[SweepSet], spectra: Sequence[Spectrum], plan: Plan, omit: set[str], keep: set[str],
    offsets: dict[tuple[str, str], Offsets],
) -> list[Spectrum]:  # fmt: skip
    """The average over tips, with tips as its units, wherever spectra of two or more tips differ in nothing else."""
    if "tip" not in plan.spectra.by or plan.spectra.gap_slope_A_per_V is not None:
        return []
    rest = [column for column in plan.spectra.by if column != "tip"]
    tips_of: dict[Any, set[str]] = {}
    for one in spectra:
        if one.keys.get("tip"):
            tips_of.setdefault((tuple(repr(one.keys[c]) for c in rest), one.bias.size), set()).add(str(one.keys["tip"]))
    over = plan.model_copy(update={"spectra": plan.spectra.model_copy(update={"replicates": "tip"})})
    found = []
    for part in sets:
        named = (part.table["unassigned"] == "").to_numpy(bool)
        for keys, group in group_sweeps(part.select(named), rest) if named.any() else []:
            tips = sorted(
                set(group.table["tip"]) & tips_of.get((tuple(map(repr, keys.values())), part.axis.size), set())
            )
            if len(tips) < 2:
                continue
            shared = [offsets[_setting(g)] for _, g in group_sweeps(group, ["sample", "tip"]) if _setting(g) in offsets]
            zero = shared[0] if len({id(o) for o in shared}) == 1 else None
            keys = {c: f"average over {len(tips)} tips" if c == "tip" else keys[c] for c in plan.spectra.by}
            try:
                spectrum = average_spectrum(group, over, keys=keys, omit=omit, keep=keep, offsets=zero)
            except ValueError:  # one of the tips has no sweep left: its own spectrum says so
                continue
            found.append(with_features(spectrum, group, over))
    return found


def _spectrum(
    group: SweepSet,
    keys: dict[str, Any],
    plan: Plan,
    omit: set[str],
    keep: set[str],
    offsets: Offsets | None,
    decay: dict[Any, tuple[float, float]],
) -> Spectrum:
    """One group to a spectrum, brought to constant separation first where the gap varied."""
    slope = plan.spectra.gap_slope_A_per_V
    if slope is None:
        spectrum = average_spectrum(group, plan, keys=keys, omit=omit, keep=keep, offsets=offsets)
        return with_features(spectrum, group, plan)
    per_m, se_per_m = _decay_for(group, plan, decay)
    zero = offsets.current_A if offsets is not None and np.isfinite(offsets.current_A) else 0.0
    at_gap, relative = to_constant_separation(
        group.axis, group.current - zero, gap_slope_m_per_V=slope * 1e-10, decay_per_m=per_m, decay_se_per_m=se_per_m
    )
    group = replace(group, current=at_gap + zero)
    plan = plan.model_copy(update={"spectra": plan.spectra.model_copy(update={"gap_slope_A_per_V": None})})
    spectrum = average_spectrum(group, plan, keys=keys, omit=omit, keep=keep, offsets=offsets)
    # The factor's uncertainty is common to all sweeps; it adds to the bands of current, derivative and ratio, where
    # N = d ln I/d ln V gains V d(ln f)/dV.
    rise, level = np.gradient(relative, spectrum.bias), plan.compare.confidence
    didv_se = np.hypot(spectrum.didv_se, spectrum.didv * relative + spectrum.current * rise)
    ratio_se = np.hypot(spectrum.normalised_se, spectrum.bias * rise)
    didv_low, didv_high = _widened(
        spectrum.didv, spectrum.didv_low, spectrum.didv_high, didv_se, spectrum.didv_se, level
    )
    ratio_low, ratio_high = _widened(
        spectrum.normalised, spectrum.normalised_low, spectrum.normalised_high, ratio_se, spectrum.normalised_se, level
    )
    words = f"brought to constant separation with {slope:g} Å/V and {per_m * 1e-9:.2f} ± {se_per_m * 1e-9:.2f} per nm"
    flags = join_flags([spectrum.flags if spectrum.flags is not None else no_flags(),
                        flag_rows([""], [True], "varying gap", [words])])  # fmt: skip
    spectrum = replace(
        spectrum,
        current_se=np.hypot(spectrum.current_se, spectrum.current * relative),
        didv_se=didv_se,
        didv_low=didv_low,
        didv_high=didv_high,
        normalised_se=ratio_se,
        normalised_low=ratio_low,
        normalised_high=ratio_high,
        flags=flags,
    )
    return with_features(spectrum, group, plan)


def _widened(value: Any, low: Any, high: Any, se: Any, se_before: Any, confidence: float) -> tuple[Any, Any]:
    """A band widened by an uncertainty that is normal, not of few repeats; where there was no band there is none."""
    more = stats.norm.ppf(0.5 + confidence / 2) * np.sqrt(np.maximum(se**2 - se_before**2, 0.0))
    return value - np.hypot(value - low, more), value + np.hypot(high - value, more)


def _decay_for(group: SweepSet, plan: Plan, decay: dict[Any, tuple[float, float]]) -> tuple[float, float]:
    """Decay of the current [1/m] for a group at a varying gap: stated, or from the session's own I(z) at its sites."""
    if plan.spectra.decay_per_nm is not None:
        return plan.spectra.decay_per_nm * 1e9, plan.spectra.decay_se_per_nm * 1e9
    places = {(str(r["sample"]), str(r["tip"]), str(r["site"])) for r in group.table.to_dict("records")}
    known = [decay[place] for place in places if place in decay]
    if len(known) < len(places):
        return float("nan"), float("nan")
    values, errors = np.array(known).T
    spread = values.std(ddof=1) if len(known) > 1 else 0.0
    return float(values.mean()), float(np.hypot(errors.max(), spread))


def _offsets(
    sets: Sequence[SweepSet], judged: Sequence[pd.DataFrame], plan: Plan, omit: set[str]
) -> dict[tuple[str, str], Offsets]:
    """Offsets of each sample and tip, from all set-points there; lock-in-only sets have none."""
    parts: dict[tuple[str, str], list[SweepSet]] = {}
    for part, flagged in zip(sets, judged, strict=True):
        out = set(flagged.loc[flagged["flag"].isin(plan.check.omit), "sweep"]) | omit
        for _, group in group_sweeps(part, ["sample", "tip", "unassigned"]):
            rows = ~np.isin(group.names, list(out))
            if group.has_current and rows.any():
                parts.setdefault(_setting(group), []).append(group.select(rows))
    found = {key: find_offsets(groups) for key, groups in parts.items()}
    for key, own in found.items():
        # The same tip and electronics on another sample (a metal, say) may separate what a gap cannot.
        others = [o for (_, tip), o in found.items() if tip == key[1] and o.separable]
        if not own.separable and others and not np.isfinite(own.bias_V):
            best = min(others, key=lambda o: o.bias_se_V)
            found[key] = replace(best, how=f"{best.how}, on another sample with the same tip")
    return found


def _setting(group: SweepSet) -> tuple[str, str]:
    row = group.table.iloc[0]
    return str(row["sample"]), str(row["tip"] if not row["unassigned"] else row["unassigned"])


def _long(spectrum: Spectrum) -> pd.DataFrame:
    """A spectrum as rows of spectra.csv."""
    n = spectrum.bias.size
    s = spectrum
    values = (s.bias, s.current, s.current_se, s.didv, s.didv_se, s.didv_low, s.didv_high, s.normalised, s.normalised_se,
              s.normalised_low, s.normalised_high, s.trusted)  # fmt: skip
    columns = dict(zip(SPECTRA_COLUMNS, values, strict=True))
    if spectrum.didv_unit != "S":  # no invented siemens: the columns of the contract stay empty
        unknown = np.full(n, np.nan)
        for name in ("didv", "didv_se", "didv_low", "didv_high"):
            columns[f"{name}_S"] = unknown
            columns[f"{name}_lockin"] = getattr(spectrum, name)
    return pd.DataFrame({**{k: [v] * n for k, v in spectrum.keys.items()}, **columns})


def _summary(spectrum: Spectrum, plan: Plan) -> dict[str, Any]:
    """A spectrum as a row of spectra_summary.csv."""
    r, o = spectrum.resolution, spectrum.offsets
    gap = _main_gap(spectrum.gaps)
    group_flags = spectrum.flags[spectrum.flags["sweep"] == ""] if spectrum.flags is not None else no_flags()
    directions = spectrum.directions
    row = {
        **spectrum.keys,
        "sweeps_used": len(spectrum.sweeps),
        "sweeps_omitted": len(spectrum.omitted),
        "temperature_K": r.thermal_V / float(thermal_width(1.0)),
        "average": plan.spectra.average,
        "smoothing": spectrum.smoothing,
        "thermal_meV": r.thermal_V * 1e3,
        "modulation_meV": r.modulation_V * 1e3,
        "smoothing_meV": r.smoothing_V * 1e3,
        "resolution_meV": r.total_V * 1e3,
        "current_offset_pA": o.current_A * 1e12,
        "bias_offset_mV": o.bias_V * 1e3,
        "displacement_fF": directions.get("displacement_fF", float("nan")),
        "gap_meV": gap.get("gap_meV", float("nan")),
        "gap_se_meV": gap.get("gap_se_meV", float("nan")),
        "gap_method": gap.get("gap_method", ""),
        "flags": ";".join(group_flags["flag"]),
        "zero_crossing_mV": o.zero_crossing_V * 1e3,
        "offsets": o.how,
        "lag_ms": directions.get("lag_ms", float("nan")),
        "drift_per_s": directions.get("drift_per_s", float("nan")),
        "lag_meV": r.lag_V * 1e3,
        "reasons": "; ".join(group_flags["detail"]),
        "didv_unit": spectrum.didv_unit,
    }
    if not np.isfinite(spectrum.current).any() and np.isfinite(spectrum.didv).sum() >= 8:
        # Without a current only the mirror symmetry of an even spectrum tells the zero of the bias.
        row["symmetry_offset_mV"] = 1e3 * bias_offset_from_symmetry(spectrum.bias, spectrum.didv)
    if spectrum.lockin is not None:
        row |= {"lockin_gain": spectrum.lockin.gain, "lockin_gain_se": spectrum.lockin.gain_se}
        row["lockin"] = spectrum.lockin.verdict
    if spectrum.superconductor is not None:
        fit = spectrum.superconductor
        row |= {"superconducting_gap_meV": fit.gap_meV, "superconducting_gap_se_meV": fit.gap_se_meV}
        row["superconductor"] = fit.verdict
    return row


def _main_gap(gaps: pd.DataFrame | None) -> dict[Any, Any]:
    """The gap of the summary: by extrapolation where there is one, else what there is."""
    if gaps is None or gaps.empty:
        return {}
    rows = [row for row in gaps.to_dict("records") if np.isfinite(row["gap_meV"])]
    named = [row for row in rows if str(row["gap_method"]).startswith("extrapolation")]
    return (named or rows or [{}])[0]


def _versions() -> dict[str, str]:
    packages = ("numpy", "scipy", "pandas", "h5py", "lmfit", "matplotlib")
    return {"sts": __version__, "python": platform.python_version(), **{name: version(name) for name in packages}}
