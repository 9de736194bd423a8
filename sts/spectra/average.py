"""The pipeline from a group of I(V) sweeps to one spectrum with error bands."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sts.curves.averaging import Filled, average_units, common_value, fill_missing, mean_to_median, unit_means
from sts.curves.electronics import find_saturation
from sts.curves.replicates import direction_signs, repeats_among
from sts.flags import join_flags
from sts.plan import Plan
from sts.selection import select
from sts.spectra.bands import Means, few_there, widened_where_few
from sts.spectra.broadened import broadened_quotient, on_whole_axis
from sts.spectra.faults.judging import judge_iv, level_trend
from sts.spectra.faults.settling import settling_samples
from sts.spectra.half_difference import DirectionFit, filled_by_direction, fit_half_difference, half_differences
from sts.spectra.junction_temperature import junction_temperature
from sts.spectra.lockin.alone import average_lockin
from sts.spectra.lockin.choice import from_current, offered
from sts.spectra.normalised import trusted_bias, without_islands
from sts.spectra.offsets import find_offsets, offsets_as_found, remove_offsets
from sts.spectra.setpoints import scaled_to_setpoint
from sts.spectra.spectrum import Offsets, Spectrum
from sts.spectra.units import Whole, hole_note, note_rows, resolution_of, units_of
from sts.spectra.unsmoothed import second_band
from sts.sweeps import SweepSet

Array = NDArray[np.float64]


def average_spectrum(
    sweeps: SweepSet,
    plan: Plan | None = None,
    *,
    keys: Mapping[str, Any] | None = None,
    used: Collection[str] | None = None,
    flags: pd.DataFrame | None = None,
    offsets: Offsets | None = None,
) -> Spectrum:
    """Average one group of sweeps and bring it to dI/dV and (dI/dV)/(I/V).

    Parameters
    ----------
    sweeps : SweepSet
        I(V) sweeps of one group, on one bias axis.
    plan : Plan, optional
        Every setting; the defaults if not given.
    keys : mapping, optional
        What defines the group, for its label.
    used : collection of str, optional
        Names of the sweeps to use (`sts.selection.select`); those that the plan's rules let pass if not given.
    flags : pandas.DataFrame, optional
        What `judge_iv` said, if it was asked before.
    offsets : Offsets, optional
        Found from more than this group (other set-points, say); found from the group itself if not given.

    Returns
    -------
    Spectrum

    Raises
    ------
    ValueError
        If every sweep is left out, the sweeps are not I(V), there are fewer points than smoothing needs, or the plan has
        a varying gap that was not corrected before.

    Notes
    -----
    In this order: saturated samples masked, sweeps left out, samples of start transients taken from the other
    direction of their repeat, the rest filled, offsets, directions balanced, average, smoothing and
    derivative (or, where the lock-in channel is the better one, that channel calibrated: `sts.spectra.lockin.calibrated`),
    normalisation. All steps up to the derivative are linear in the sweeps, so its band is the scatter
    between repeats (or sites, or tips) carried through, with Student's t. Up and down of one repeat are one unit. The
    band of the normalised conductance N = g/q follows from the first-order contribution (g_i - N q_i)/q of each unit,
    which holds the correlation of I and dI/dV and drops the scatter of the set-point.

    Examples
    --------
    An ohmic junction of 1 nS, as simulated: dI/dV is level, and its ratio to I/V is 1.

    >>> import sts
    >>> sweeps = sts.simulate_iv(density="flat", bias=(-0.5, 0.5, 101), sweeps=5, temperature_K=4.2).sweeps
    >>> spectrum = sts.average_spectrum(sweeps)
    >>> spectrum.didv.shape, len(spectrum.sweeps)
    ((101,), 10)
    >>> bool(abs(spectrum.normalised[spectrum.trusted] - 1).max() < 0.1)
    True
    """
    plan = plan or Plan()
    _check(sweeps, plan)
    judged = judge_iv(sweeps, plan.check) if flags is None else flags[flags["sweep"].isin(sweeps.names)]
    rows = _choose(sweeps, judged, plan, used)
    chosen, omitted = sweeps.select(rows), tuple(np.array(sweeps.names, object)[~rows])
    repeats = repeats_among(sweeps.table, sweeps.kind, rows)
    if not chosen.has_current:
        return average_lockin(chosen, repeats, plan, dict(keys or {}), omitted, judged)
    notes: dict[str, str] = {}
    _say_ripple(chosen, judged, notes)
    filled, there = _usable(chosen, repeats, settling_samples(chosen, judged), notes)
    offsets = find_offsets(chosen) if offsets is None else offsets
    bias, current = _from_zero(chosen, filled, offsets, plan, notes)
    current_even, halves = _balanced(current, chosen, repeats, notes)
    each_repeat = unit_means(current_even, repeats)
    units, kind = units_of(chosen, each_repeat, repeats, plan.spectra, notes)
    notes |= _group_notes(units, each_repeat)
    average = average_units(units, plan.spectra.average, seed=plan.spectra.seed)
    temperature = junction_temperature(chosen.table).value
    made = from_current(bias, average, each_repeat, plan, temperature, kind, notes, filled.current)
    made = offered(made, bias, (chosen, filled.points, repeats), (average, units, kind), plan, notes)
    smoother, means = made.smoother, widened_where_few(made.means, there, len(units), plan.compare.confidence)
    trusted = _trusted(bias, means, filled, offsets, smoother.width)
    direction_fit = _directions(bias, halves, means.current, means.didv, chosen)
    whole = Whole(chosen.axis.size, filled.points)
    resolution = resolution_of(chosen, smoother, direction_fit)
    wider = few_there(means.quantile, there, len(units), plan.compare.confidence)
    finer = second_band(bias, made.pseudo(means), smoother, len(units), wider, plan, resolution.total_V, notes)
    beside = broadened_quotient(bias, means, trusted, plan.spectra, resolution.total_V, **offsets_as_found(offsets))
    return Spectrum(
        keys=dict(keys or {}),
        bias=whole.axis(chosen.axis, bias),
        sweeps=tuple(chosen.names),
        omitted=omitted,
        **_arrays(means, whole, finer),
        trusted=whole.mask(trusted),
        current_each=whole(current - (average.current - means.current)),
        didv_each=whole(smoother.differentiate(current) if made.didv_each is None else made.didv_each),
        offsets=offsets,
        resolution=resolution,
        smoothing=f"{smoother.words}; {made.why}",
        flags=join_flags([judged[judged["sweep"].isin(chosen.names)], note_rows(notes)]),
        **_direction_arrays(direction_fit, whole),
        criterion=made.criterion,
        smoothed_as=smoother.asked,
        replicates=kind,
        one_sided=whole.mask(smoother.one_sided),
        units=len(units),
        source=made.source_on(whole),
        broadened=on_whole_axis(beside, whole, filled.whole, wider, means.quantile),
    )


def _trusted(bias: Array, means: Means, filled: Filled, offsets: Offsets, width_V: float) -> NDArray[np.bool_]:
    """Where the plain (dI/dV)/(I/V) may be read, (k,)."""
    known = filled.whole & means.firm & trusted_bias(bias, means.below, **offsets_as_found(offsets))
    return without_islands(bias, known, width_V)


def _check(sweeps: SweepSet, plan: Plan) -> None:
    """Refuse what is no set of I(V) sweeps at a constant gap."""
    if sweeps.kind != "iv":
        raise ValueError(f"A spectrum is averaged from I(V) sweeps; these are '{sweeps.kind}'.")
    if plan.spectra.gap_slope_A_per_V is not None:
        raise ValueError(
            "The plan says that the gap varied with bias (gap_slope_A_per_V). Use 'analyse', which brings the currents to "
            "constant separation with the decay of the site; or do so with 'to_constant_separation' and clear the key."
        )


def _from_zero(
    chosen: SweepSet, filled: Filled, offsets: Offsets, plan: Plan, notes: dict[str, str]
) -> tuple[Array, Array]:
    """Bias and currents without their offsets, the currents scaled to the set-point where the plan says so."""
    if plan.spectra.offsets == "remove" and not offsets.separable:
        notes["offsets not separable"] = offsets.how
    bias, current = remove_offsets(chosen.axis[filled.points], filled.current, offsets, plan.spectra)
    if plan.spectra.scale_to_setpoint:
        current = scaled_to_setpoint(chosen, chosen.axis[filled.points], current)
    return bias, current


def _usable(
    chosen: SweepSet, repeats: NDArray[np.int64], settling: NDArray[np.bool_], notes: dict[str, str]
) -> tuple[Filled, Array]:
    """Currents without saturated samples, holes filled, and the share of sweeps that have each point kept, (k,)."""
    railed = find_saturation(chosen.current, full_scale=chosen.table["full_scale_A"].to_numpy(float))
    masked = np.where(railed, np.nan, chosen.current)
    signs = direction_signs(chosen.table, chosen.kind)
    masked = filled_by_direction(chosen.axis, masked, signs, repeats, settling)
    filled = fill_missing(masked)
    there = np.isfinite(masked[:, filled.points]).mean(axis=0)
    if not filled.points.all():
        notes["holes"] = hole_note(filled.points)
    elif (there < 1).any():
        notes["holes"] = (
            f"at {int((there < 1).sum())} of {there.size} points some sweeps have no usable sample: wider bands"
        )
    return filled, there


def _say_ripple(chosen: SweepSet, judged: pd.DataFrame, notes: dict[str, str]) -> None:
    """What the average does to the ripple of its sweeps: nothing is taken off."""
    count = int((judged["sweep"].isin(chosen.names) & (judged["flag"] == "ripple")).sum())
    if count:
        notes["ripple"] = (
            f"{count} of {len(chosen)} sweeps; nothing is taken off. With a phase of its own in each, the average holds about one "
            f"part in {np.sqrt(len(chosen)):.2g} of it, and the band, from the scatter between them, holds that"
        )


def _arrays(means: Means, whole: Whole, finer: dict[str, Array]) -> dict[str, Any]:
    """The means and bands of a spectrum on the whole axis, by name."""
    found = {
        name: getattr(means, name)
        for name in ("current", "current_se", "didv", "didv_se", "normalised", "normalised_se")
    }
    for name in ("didv", "normalised"):
        half = means.quantile * found[f"{name}_se"]
        found |= {f"{name}_low": found[name] - half, f"{name}_high": found[name] + half}
    return {name: whole(values) for name, values in (found | finer).items()}


def _direction_arrays(fit: DirectionFit | None, whole: Whole) -> dict[str, Any]:
    if fit is None:
        return {}
    return {
        "half_difference": whole(fit.half_difference),
        "half_difference_fit": whole(fit.fitted),
        "directions": fit.values,
    }


def _balanced(current: Array, used: SweepSet, repeats: NDArray[np.int64], notes: dict[str, str]) -> tuple[Array, Array]:
    """Currents (m, n) without half the difference of the directions, and those halves, one per repeat with both."""
    signs = direction_signs(used.table, used.kind)
    halves, _ = half_differences(current, signs, repeats)
    if len(halves):
        return current - signs[:, None] * halves.mean(axis=0), halves
    if (signs != 0).any():
        way = "up" if (signs >= 0).all() else "down"
        rest = " only" if abs(signs.sum()) == len(signs) else ", or no repeat has both directions"
        notes["one direction"] = f"all sweeps run {way}{rest}"
    return current, halves


def _choose(sweeps: SweepSet, judged: pd.DataFrame, plan: Plan, used: Collection[str] | None) -> NDArray[np.bool_]:
    """Which sweeps are used, (m,)."""
    by_rule = select(sweeps.names, judged, rules=plan.check.omit)["used"].to_numpy(bool)
    rows = by_rule if used is None else np.isin(sweeps.names, list(used))
    if not rows.any():
        reasons = sorted(
            set(judged.loc[judged["sweep"].isin(sweeps.names) & judged["flag"].isin(plan.check.omit), "flag"])
        )
        why = "left out by decision" if not reasons else f"left out ({', '.join(reasons)})"
        every = f"all {len(sweeps)} are" if len(sweeps) > 1 else "the only one is"
        raise ValueError(
            f"No sweep is left: {every} {why}. Keep one by decision, or take a flag off 'check.omit' in the plan."
        )
    return np.asarray(rows, bool)


def _directions(bias: Array, halves: Array, current: Array, didv: Array, used: SweepSet) -> DirectionFit | None:
    if not len(halves):
        return None
    return fit_half_difference(bias, halves, current, didv, duration_s=common_value(used.table["duration_s"]))


def _group_notes(units: Array, each_repeat: Array) -> dict[str, str]:
    """Doubts about the group as a whole: a mean above the median, a trend from sweep to sweep."""
    notes = {}
    skew = mean_to_median(units)
    if skew > 1.05:
        notes["skewed"] = f"mean/median = {skew:.3g}"
    mean = each_repeat.mean(axis=0)
    level = each_repeat @ mean / max(float(mean @ mean), np.finfo(float).tiny)
    if len(level) >= 5 and (level > 0).all():
        slope, p = level_trend(np.log(level))
        if p < 0.003 and abs(slope) * (len(level) - 1) > 0.05:
            notes["trend"] = f"{slope * 100:+.2g} % of current from repeat to repeat (p = {p:.1g})"
    return notes
