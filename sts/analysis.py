"""The whole analysis of a session: sweeps judged, spectra averaged, barriers fitted, tips compared."""

from __future__ import annotations

import platform
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from importlib.metadata import version
from pathlib import Path
from typing import Any, Literal

import numpy as np
import pandas as pd

from sts import __version__
from sts.comparing import (
    Calibration,
    advice,
    budget,
    compare_groups,
    compare_pairs,
    site_level,
    tip_level,
    variance_components,
)
from sts.fitting import fit_barrier, pair_directions, slopes_by_repeat, window_sensitivity
from sts.fitting.barrier import BarrierFit
from sts.flags import flags_of
from sts.plan import Plan
from sts.processing import average_spectrum, find_offsets, group_sweeps, judge_iv
from sts.processing.spectrum import Spectrum
from sts.session import Session
from sts.sweeps import SweepSet

Progress = Callable[[int, int], None]


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
    sets: tuple[SweepSet, ...]
    judged: pd.DataFrame  # sweep, kind, sample, tip, site, direction, repeat, flags, reasons, used, decided_by
    sources: pd.DataFrame  # name, sha256, size, reader, recipe, imported
    decisions: pd.DataFrame  # time, sweep, action, why
    calibrations: pd.DataFrame  # kind, factor, factor_se, measured, known, source, time
    barrier: BarrierAnalysis | None
    spectra: SpectraAnalysis | None
    versions: dict[str, str]  # sts, python, numpy, scipy, ...


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
        One row a sweep: `sweep`, `kind`, `sample`, `tip`, `site`, `direction`, `repeat`, `flags`, `reasons` (with
        sizes), `used`, `decided_by` ("rule" or "person").
    """
    opened = _opened(session)
    settings = plan or Plan()
    sets = opened.sets()
    decisions = opened.current_decisions()
    omit, keep = _by_person(decisions)
    factor = _height_factor(opened.calibrations())
    flags, unusable = [], set()
    for done, part in enumerate(sets):
        if part.kind == "iv":
            flags.append(judge_iv(part, settings.check))
        else:
            fit = fit_barrier(part, settings, omit=omit, keep=keep, height_factor=factor)
            flags.append(fit.flags)
            unusable |= set(fit.table.loc[~np.isfinite(fit.table["decay_per_nm"]), "sweep"])
        _tell(progress, done + 1, len(sets))
    return _judged(sets, join_flags(flags), decisions, settings, unusable)


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
    sets = opened.sets(only or None)
    if not sets:
        kinds = {"iv": "I(V) sweeps", "iz": "I(z) sweeps", "": "sweeps"}[only]
        raise ValueError(f"{opened.path}: there are no {kinds} in this session. Import some with 'sts import'.")
    decisions = opened.current_decisions()
    omit, keep = _by_person(decisions)
    calibrations = opened.calibrations()
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
        flags += [judge_iv(part, settings.check) for part in bias_sets]
        decay = _decay_by_site(barrier)
        spectra = _spectra(bias_sets, settings, omit, keep, decay)
        flags += [s.flags[s.flags["sweep"] != ""] for s in spectra.spectra if s.flags is not None]
    _tell(progress, steps, steps)
    return Analysis(
        session=opened.path.name,
        plan=settings,
        sets=tuple(sets),
        judged=_judged(sets, join_flags(flags), decisions, settings, unusable),
        sources=opened.sources(),
        decisions=opened.decisions(),
        calibrations=calibrations,
        barrier=barrier,
        spectra=spectra,
        versions=_versions(),
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
) -> pd.DataFrame:
    """One row a sweep with flags, reasons and who decided."""
    columns = ["sweep", "sample", "tip", "site", "direction", "repeat"]
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
        reasons.append("; ".join(part for part in (f"{action}: {why}" if action else "", reason.replace(";", "; ")) if part))
    table["reasons"], table["used"], table["decided_by"] = reasons, used, decided
    order = ["sweep", "kind", *columns[1:], "flags", "reasons", "used", "decided_by"]
    return table[order]


# --- barriers --------------------------------------------------------------------------------------------------------


def _in_force(calibrations: pd.DataFrame, kind: str) -> Any:
    rows = calibrations[calibrations["kind"] == kind]
    return rows.iloc[-1] if len(rows) else None


def _height_factor(calibrations: pd.DataFrame) -> float:
    row = _in_force(calibrations, "height")
    return 1.0 if row is None else float(row["factor"])


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
    calibration = None if row is None else Calibration(float(row["factor"]), float(row["factor_se"]), str(row["source"]))
    factor = _height_factor(calibrations)
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
    repeats = slopes_by_repeat(sweeps)
    if repeats.empty:
        notes.append("No I(z) sweep is left to compare: see the flags and decisions of the sweeps.")
        result = BarrierAnalysis(
            tuple(fits), sweeps, directions, empty, empty, empty, empty, empty, empty, pd.concat(window), (), tuple(notes)
        )
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
    result = BarrierAnalysis(
        fits=tuple(fits),
        sweeps=sweeps,
        directions=directions,
        sites=sites,
        tips=tips,
        pairs=pairs,
        groups=groups,
        components=components,
        budget=budget(tips, calibration),
        window=pd.concat(window, ignore_index=True),
        advice=advice(tips, by='' if plan.compare.by == 'tip' else plan.compare.by, confidence=level),
        notes=tuple(notes),
        group_tests=tests,
    )
    return result, flags


# --- spectra ---------------------------------------------------------------------------------------------------------


def _decay_by_site(barrier: BarrierAnalysis | None) -> dict[tuple[str, str, str], tuple[float, float]]:
    """Decay [1/m] and its uncertainty at each (sample, tip, site), for variable-gap spectra."""
    if barrier is None or barrier.sites.empty:
        return {}
    return {
        (str(r.sample), str(r.tip), str(r.site)): (r.decay_per_nm * 1e9, r.decay_se_per_nm * 1e9)
        for r in barrier.sites.itertuples()
    }


def _spectra(
    sets: Sequence[SweepSet], plan: Plan, omit: set[str], keep: set[str], decay: dict[Any, tuple[float, float]]
) -> SpectraAnalysis:
    notes: list[str] = []
    spectra: list[Spectrum] = []
    offsets = _offsets_by_sample(sets, plan, omit)
    seen: dict[Any, int] = {}
    for part in sets:
        for keys, group in group_sweeps(part, plan.spectra.by):
            label = tuple(keys.items())
            if label in seen and seen[label] != id(part):
                notes.append(
                    f"{_words(keys)}: the sweeps of this group have different bias axes; each axis was averaged by itself."
                )
            seen[label] = id(part)
            try:
                spectra.append(
                    average_spectrum(
                        group, plan, keys=keys, omit=omit, keep=keep, offsets=offsets.get(_offset_key(group))
                    )
                )
            except ValueError as error:
                notes.append(f"{_words(keys)}: {error}")
    table = pd.concat([spectrum_table(s) for s in spectra], ignore_index=True) if spectra else pd.DataFrame()
    summary = pd.DataFrame([spectrum_summary(s, plan) for s in spectra])
    return SpectraAnalysis(tuple(spectra), table, summary, tuple(dict.fromkeys(notes)))


def _offset_key(group: SweepSet) -> tuple[str, str]:
    row = group.table.iloc[0]
    return str(row["sample"]), str(row["tip"])


def _words(keys: dict[str, Any]) -> str:
    return ", ".join(f"{k} {v:g}" if isinstance(v, float) else f"{k} {v}" for k, v in keys.items()) or "all sweeps"


def _versions() -> dict[str, str]:
    packages = ("numpy", "scipy", "pandas", "h5py", "lmfit", "matplotlib")
    return {"sts": __version__, "python": platform.python_version(), **{name: version(name) for name in packages}}
