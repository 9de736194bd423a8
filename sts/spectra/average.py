"""The pipeline from a group of I(V) sweeps to one spectrum with error bands."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from sts.curves.averaging import (
    Average,
    average_units,
    common_value,
    fill_missing,
    group_codes,
    mean_to_median,
    unit_means,
)
from sts.curves.electronics import find_saturation, noise_level
from sts.curves.replicates import direction_signs, repeats_among
from sts.curves.smoothing import Smoother, make_smoother
from sts.flags import flag_rows, join_flags
from sts.plan import Plan, SpectraPlan
from sts.selection import select
from sts.spectra.half_difference import DirectionFit, fit_half_difference, half_differences
from sts.spectra.judging import judge_iv, level_trend
from sts.spectra.normalised import denominator, normalise, trusted_bias
from sts.spectra.offsets import UNKNOWN, find_offsets
from sts.spectra.resolution import resolution
from sts.spectra.smoothing_width import choose_smoother
from sts.spectra.spectrum import Offsets, Resolution, Spectrum
from sts.sweeps import SweepSet

Array = NDArray[np.float64]

_FIRM = 5.0  # standard uncertainties by which I/V must differ from zero to be divided by


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
    In this order: saturated samples masked, sweeps left out, offsets, directions balanced, average, smoothing and
    derivative, normalisation. All steps up to the derivative are linear in the sweeps, so its band is the scatter
    between repeats (or sites, or tips) carried through, with Student's t. Up and down of one repeat are one unit. The
    band of the normalised conductance N = g/q follows from the first-order contribution (g_i - N q_i)/q of each unit,
    which holds the correlation of I and dI/dV and drops the scatter of the set-point.
    """
    plan = plan or Plan()
    if sweeps.kind != "iv":
        raise ValueError(f"A spectrum is averaged from I(V) sweeps; these are '{sweeps.kind}'.")
    if plan.spectra.gap_slope_A_per_V is not None:
        raise ValueError(
            "The plan says that the gap varied with bias (gap_slope_A_per_V). Use 'analyse', which brings the currents to "
            "constant separation with the decay of the site; or do so with 'to_constant_separation' and clear the key."
        )
    judged = judge_iv(sweeps, plan.check) if flags is None else flags[flags["sweep"].isin(sweeps.names)]
    rows = _choose(sweeps, judged, plan, used)
    chosen, omitted = sweeps.select(rows), tuple(np.array(sweeps.names, object)[~rows])
    repeats = repeats_among(sweeps.table, sweeps.kind, rows)
    if not chosen.has_current:
        return _lockin_only(chosen, repeats, plan, dict(keys or {}), omitted, judged)
    notes: dict[str, str] = {}
    railed = find_saturation(chosen.current, full_scale=chosen.table["full_scale_A"].to_numpy(float))
    masked = np.where(railed, np.nan, chosen.current)
    filled = fill_missing(masked)
    there = np.isfinite(masked[:, filled.points]).mean(axis=0)
    if not filled.points.all():
        notes["holes"] = f"{int((~filled.points).sum())} of {filled.points.size} points have no usable sample"
    elif (there < 1).any():
        notes["holes"] = (
            f"at {int((there < 1).sum())} of {there.size} points some sweeps have no usable sample: wider bands"
        )
    offsets = find_offsets(chosen) if offsets is None else offsets
    if plan.spectra.offsets == "remove" and not offsets.separable:
        notes["offsets not separable"] = offsets.how
    bias, current = _remove_offsets(chosen.axis[filled.points], filled.current, offsets, plan.spectra)
    if plan.spectra.scale_to_setpoint:
        current = _scale(chosen, chosen.axis[filled.points], current)
    signs = direction_signs(chosen.table, chosen.kind)
    halves, _ = half_differences(current, signs, repeats)
    if len(halves):
        current_even = current - signs[:, None] * halves.mean(axis=0)
    else:
        current_even = current
        if (signs != 0).any():
            notes["one direction"] = (
                "all sweeps run "
                + ("up" if (signs >= 0).all() else "down")
                + (" only" if abs(signs.sum()) == len(signs) else ", or no repeat has both directions")
            )
    each_repeat = unit_means(current_even, repeats)
    units, kind = _units(chosen, each_repeat, repeats, plan.spectra, notes)
    average = average_units(units, plan.spectra.average, seed=plan.spectra.seed)
    temperature = common_value(chosen.table["temperature_K"])
    smoother, criterion, why = _smoother(bias, each_repeat, plan.spectra, temperature)
    if criterion is None and plan.spectra.smoothing_width_V is None:
        notes["few repeats"] = why
    means = _derive(bias, average, smoother, plan, notes, kind)
    means = _widen_where_few(means, there, len(units), plan.compare.confidence)
    trusted = filled.whole & means.firm & trusted_bias(bias, means.below, **_doubt(offsets))
    direction_fit = _directions(bias, halves, means.current, means.didv, chosen)
    notes |= _group_notes(units, each_repeat)
    whole = _Whole(chosen.axis.size, filled.points)
    return Spectrum(
        keys=dict(keys or {}),
        bias=whole.axis(chosen.axis, bias),
        sweeps=tuple(chosen.names),
        omitted=omitted,
        current=whole(means.current),
        current_se=whole(means.current_se),
        didv=whole(means.didv),
        didv_se=whole(means.didv_se),
        didv_low=whole(means.didv - means.quantile * means.didv_se),
        didv_high=whole(means.didv + means.quantile * means.didv_se),
        normalised=whole(means.normalised),
        normalised_se=whole(means.normalised_se),
        normalised_low=whole(means.normalised - means.quantile * means.normalised_se),
        normalised_high=whole(means.normalised + means.quantile * means.normalised_se),
        trusted=whole.mask(trusted),
        current_each=whole(current - (average.current - means.current)),
        didv_each=whole(smoother.differentiate(current)),
        offsets=offsets,
        resolution=_resolution(temperature, chosen, smoother, direction_fit),
        smoothing=f"{smoother.words}; {why}",
        flags=join_flags([judged[judged["sweep"].isin(chosen.names)], _notes(notes)]),
        half_difference=whole(direction_fit.half_difference) if direction_fit else None,
        half_difference_fit=whole(direction_fit.fitted) if direction_fit else None,
        directions=direction_fit.values if direction_fit else {},
        criterion=criterion,
    )


def _choose(sweeps: SweepSet, judged: pd.DataFrame, plan: Plan, used: Collection[str] | None) -> NDArray[np.bool_]:
    """Which sweeps are used, (m,)."""
    by_rule = select(sweeps.names, judged, rules=plan.check.omit)["used"].to_numpy(bool)
    rows = by_rule if used is None else np.isin(sweeps.names, list(used))
    if not rows.any():
        reasons = sorted(
            set(judged.loc[judged["sweep"].isin(sweeps.names) & judged["flag"].isin(plan.check.omit), "flag"])
        )
        why = "left out by decision" if not reasons else f"left out ({', '.join(reasons)})"
        raise ValueError(
            f"No sweep is left: all {len(sweeps)} are {why}. Keep one by decision, or take a flag off 'check.omit' in "
            "the plan."
        )
    return np.asarray(rows, bool)


def _remove_offsets(bias: Array, current: Array, offsets: Offsets, plan: SpectraPlan) -> tuple[Array, Array]:
    """Bias axis and currents with the separable offsets taken off."""
    if plan.offsets == "keep":
        return bias, current
    shift = offsets.bias_V if np.isfinite(offsets.bias_V) else 0.0
    zero = offsets.current_A if np.isfinite(offsets.current_A) else 0.0
    return bias - shift, current - zero


@dataclass(frozen=True, eq=False)
class _Means:
    """Averages on the points kept, with standard uncertainties; `quantile` times these is half a band."""

    current: Array
    current_se: Array
    didv: Array
    didv_se: Array
    normalised: Array
    normalised_se: Array
    below: Array  # denominator of the normalised conductance [S]
    firm: NDArray[np.bool_]  # where that is known well enough to divide by
    quantile: float


def _derive(bias: Array, average: Average, smoother: Smoother, plan: Plan, notes: dict[str, str], unit: str) -> _Means:
    """Current with I(0) = 0, dI/dV and normalised conductance, and the uncertainty of each.

    Rows of deviations carry the uncertainty: those of the units, or where there is one unit only, white noise at each
    point as large as the residuals. The variance of anything linear in the current is the sum of squares of what it makes of the
    rows; the normalised conductance N = g/q changes by (δg - N δq)/q to first order.
    """
    zero = _zero_weights(bias, smoother, plan.spectra)
    current = average.current - zero @ average.current
    count = len(average.influence)
    if count > 1:
        quantile = float(stats.t.ppf(0.5 + plan.compare.confidence / 2, count - 1))
        rows = (average.influence - average.influence.mean(axis=0)) / np.sqrt(count * (count - 1))
    else:
        quantile = float(stats.norm.ppf(0.5 + plan.compare.confidence / 2))
        sigma = _residual_noise(smoother, current)
        rows = sigma * np.eye(bias.size)
        notes["no band"] = f"one {unit}: band from the residuals, {sigma * 1e12:.3g} pA rms; slow noise is not in it"
    rows = rows - (rows @ zero)[:, None]
    smooth, didv = smoother.apply(current), smoother.differentiate(current)
    smooth_rows, didv_rows = smoother.apply(rows), smoother.differentiate(rows)
    form: dict[str, Any] = {
        "kind": plan.spectra.normalise,
        "broadening_V": plan.spectra.broadening_V or np.nan,
        "floor_S": plan.spectra.floor_S or np.nan,
    }
    ratio, below = normalise(bias, smooth, didv, **form)
    step = 1e-4  # a difference quotient: exact for the linear forms, and close enough to a derivative for the root
    below_rows = (denominator(bias, smooth + step * smooth_rows, didv + step * didv_rows, **form) - below) / step
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio_se = _root_sum_square((didv_rows - ratio * below_rows) / below)
    return _Means(
        current=current,
        current_se=_root_sum_square(rows),
        didv=didv,
        didv_se=_root_sum_square(didv_rows),
        normalised=ratio,
        normalised_se=np.where(np.isfinite(ratio_se), ratio_se, np.nan),
        below=below,
        firm=np.abs(below) > _FIRM * _root_sum_square(below_rows),
        quantile=quantile,
    )


def _widen_where_few(means: _Means, there: Array, units: int, confidence: float) -> _Means:
    """Bands where only a share `there` (k,) of the sweeps has a sample: what was filled in is no repeat.

    So many fewer units are counted, in the scatter of the mean and in Student's t; with fewer than two there is no band.
    """
    if units < 2 or (there == 1).all():
        return means
    counted = np.floor(units * there + 1e-9)
    with np.errstate(divide="ignore", invalid="ignore"):
        reach = stats.t.ppf(0.5 + confidence / 2, np.where(counted >= 2, counted - 1, np.nan)) / means.quantile
        # What was filled in lies at the middle of the others, and adds nothing to their scatter.
        scatter = np.sqrt((units - 1) / (counted - 1) * units / counted)
        wider = np.where(counted >= 2, scatter * reach, np.nan)
    return replace(
        means,
        current_se=means.current_se * wider,
        didv_se=means.didv_se * wider,
        normalised_se=means.normalised_se * wider,
    )


def _zero_weights(bias: Array, smoother: Smoother, plan: SpectraPlan) -> Array:
    """Weights (n,) of the smoothed current at V = 0, which is taken off; none where V = 0 lies outside the sweep.

    What remains at V = 0 (all of the offset where one set-point cannot separate it, its uncertainty otherwise) counts
    as a current offset: for an ohmic junction the same as a shift of bias, and in a gap the only thing it can be.
    """
    if plan.offsets == "keep" or not bias[0] < 0 < bias[-1]:
        return np.zeros(bias.size)
    right = int(np.searchsorted(bias, 0.0))
    share = -bias[right - 1] / (bias[right] - bias[right - 1])
    return np.asarray((1 - share) * smoother.smooth[right - 1] + share * smoother.smooth[right])


def _doubt(offsets: Offsets) -> dict[str, float]:
    """Offsets as found, for the rule of trust: the zero crossing stands for both where they are not separable."""
    if offsets.separable or np.isfinite(offsets.current_A):
        return {"current_offset_A": offsets.current_A, "bias_offset_V": offsets.bias_V}
    return {"current_offset_A": np.nan, "bias_offset_V": offsets.zero_crossing_V}


def _scale(used: SweepSet, bias: Array, current: Array) -> Array:
    """Every sweep times set-point current over its own current at the set-point bias; `bias` as the bench counts it."""
    wanted = used.table["setpoint_current_A"].to_numpy(float)
    at = used.table["setpoint_bias_V"].to_numpy(float)
    slack = 0.6 * float(np.median(np.diff(bias)))  # sweeps often end at the set-point
    known = np.isfinite(wanted) & (at >= bias[0] - slack) & (at <= bias[-1] + slack)
    if not known.all():
        raise ValueError(
            f"{int((~known).sum())} sweeps have no set-point current and bias within the sweep; they cannot be scaled "
            "to the set-point. Fill them in with a logbook, or set 'scale_to_setpoint = false'."
        )
    position = np.clip(np.searchsorted(bias, at), 2, bias.size - 3)
    nearby = position[:, None] + np.arange(-2, 3)
    current_there = np.take_along_axis(current, nearby, axis=1)
    distance = bias[nearby] - at[:, None]
    centred = distance - distance.mean(axis=1, keepdims=True)
    slope = (centred * current_there).sum(axis=1) / (centred**2).sum(axis=1)
    there = np.abs(current_there.mean(axis=1) - slope * distance.mean(axis=1))  # straight line through 5 points
    scaled: Array = current * (np.abs(wanted) / there)[:, None]
    return scaled


def _units(
    used: SweepSet, each_repeat: Array, repeats: NDArray[np.int64], plan: SpectraPlan, notes: dict[str, str]
) -> tuple[Array, str]:
    """The curves whose scatter makes the bands: repeats, or means of sites or tips."""
    first = np.unique(repeats, return_index=True)[1]
    levels = {
        "tip": group_codes(used.table, ["sample", "tip"])[first],
        "site": group_codes(used.table, ["sample", "tip", "site"])[first],
    }
    counts = {name: int(codes.max()) + 1 for name, codes in levels.items()}
    level: str = plan.replicates
    if level == "auto":
        level = next((name for name in ("tip", "site") if counts[name] >= 3), "repeat")
        if level == "repeat" and counts["site"] == 2:
            notes["few sites"] = "two sites: the band is that of the repeats and holds for these two only"
    elif level != "repeat" and counts[level] < 2:
        raise ValueError(
            f"The bands are to come from the scatter between {level}s, but there is only one. Set 'replicates' to "
            "'repeat'."
        )
    return (each_repeat, "repeat") if level == "repeat" else (unit_means(each_repeat, levels[level]), level)


def _smoother(
    bias: Array, each_repeat: Array, plan: SpectraPlan, temperature: float
) -> tuple[Smoother, pd.DataFrame | None, str]:
    if plan.smoothing_width_V is not None:
        smoother = make_smoother(bias, width_V=plan.smoothing_width_V, method=plan.smoothing, order=plan.order)
        return smoother, None, "width set in the plan"
    return choose_smoother(bias, each_repeat, method=plan.smoothing, order=plan.order, temperature_K=temperature)


def _root_sum_square(rows: Array) -> Array:
    return np.asarray(np.sqrt((rows**2).sum(axis=0)))


def _residual_noise(smoother: Smoother, current: Array) -> float:
    """Noise [A] from the residuals of smoothing, allowing for the degrees of freedom that smoothing took."""
    residual = current - smoother.apply(current)
    freedom = np.trace((np.eye(len(current)) - smoother.smooth).T @ (np.eye(len(current)) - smoother.smooth))
    return float(np.sqrt(residual @ residual / max(freedom, 1.0)))


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


def _notes(notes: dict[str, str]) -> pd.DataFrame:
    return join_flags([flag_rows([""], [True], flag, [detail]) for flag, detail in notes.items()])


@dataclass(frozen=True, eq=False)
class _Whole:
    """Puts arrays on the points kept back on the whole axis: NaN (or false) where every sweep misses a sample."""

    size: int
    points: NDArray[np.bool_]

    def __call__(self, values: Array) -> Array:
        result = np.full((*values.shape[:-1], self.size), np.nan)
        result[..., self.points] = values
        return result

    def mask(self, values: NDArray[np.bool_]) -> NDArray[np.bool_]:
        result = np.zeros(self.size, bool)
        result[self.points] = values
        return result

    def axis(self, axis: Array, bias: Array) -> Array:
        return np.asarray(axis + (bias[0] - axis[self.points][0]))


def _resolution(temperature: float, used: SweepSet, smoother: Smoother | None, fit: DirectionFit | None) -> Resolution:
    """Thermal, modulation, smoothing and lag broadening, each and together.

    A modulation that was on broadens the recorded current, and so its numerical derivative, too: the amplifier
    averages over it.
    """
    return resolution(
        temperature_K=temperature,
        modulation_rms_V=common_value(used.table["modulation_V"]),
        smoothing_kernel=smoother.kernel() if smoother else None,
        lag_V=_clear_lag(fit),
    )


def _clear_lag(fit: DirectionFit | None) -> float:
    """The lag [V] where it exceeds twice its uncertainty; else it is no broadening that could be told."""
    lag, error = (fit.values["lag_V"], fit.values["lag_V_se"]) if fit else (np.nan, np.nan)
    return float(lag) if lag > 2 * error else float("nan")


def _lockin_only(
    used: SweepSet,
    repeats: NDArray[np.int64],
    plan: Plan,
    keys: dict[str, Any],
    omitted: tuple[str, ...],
    judged: pd.DataFrame,
) -> Spectrum:
    """Average of a lock-in channel recorded without a current: no derivative, no normalisation, no invented unit."""
    if used.lockin is None or not np.isfinite(used.lockin).any():
        raise ValueError("These sweeps hold neither a current nor a lock-in channel; there is nothing to average.")
    if used.lockin_unit == "ohm":
        raise ValueError(
            "The lock-in channel is a resistance, dV/dI in ohm; it is not taken for dI/dV, and no current was recorded."
        )
    notes: dict[str, str] = {}
    filled = fill_missing(used.lockin)
    signs = direction_signs(used.table, used.kind)
    halves, _ = half_differences(filled.current, signs, repeats)
    even = filled.current - signs[:, None] * halves.mean(axis=0) if len(halves) else filled.current
    each_repeat = unit_means(even, repeats)
    units, kind = _units(used, each_repeat, repeats, plan.spectra, notes)
    average = average_units(units, plan.spectra.average, seed=plan.spectra.seed)
    whole = _Whole(used.axis.size, filled.points)
    if not filled.points.all():
        notes["holes"] = f"{int((~filled.points).sum())} of {filled.points.size} points have no usable sample"
    if len(units) > 1:
        quantile = float(stats.t.ppf(0.5 + plan.compare.confidence / 2, len(units) - 1))
        error = average.influence.std(axis=0, ddof=1) / np.sqrt(len(units))
    else:
        quantile = float(stats.norm.ppf(0.5 + plan.compare.confidence / 2))
        sigma = float(noise_level(units)[0])
        error = np.full(average.current.size, sigma)
        notes["no band"] = (
            f"one {kind}: band from the point-to-point noise, {sigma:.3g} {used.lockin_unit or '(unit unknown)'} rms"
        )
    unknown = np.full(used.axis.size, np.nan)
    return Spectrum(
        keys=keys,
        bias=used.axis,
        sweeps=tuple(used.names),
        omitted=omitted,
        current=unknown,
        current_se=unknown,
        didv=whole(average.current),
        didv_se=whole(error),
        didv_low=whole(average.current - quantile * error),
        didv_high=whole(average.current + quantile * error),
        normalised=unknown,
        normalised_se=unknown,
        normalised_low=unknown,
        normalised_high=unknown,
        trusted=whole.mask(filled.whole),
        current_each=np.full(used.current.shape, np.nan),
        didv_each=whole(filled.current),
        offsets=replace(UNKNOWN, how="lock-in channel only: no current to find them from"),
        resolution=_resolution(common_value(used.table["temperature_K"]), used, None, None),
        smoothing="none: lock-in channel as recorded",
        didv_unit=used.lockin_unit,
        flags=join_flags([judged[judged["sweep"].isin(used.names)], _notes(notes)]),
    )
