"""What stands in a spectrum: gap, peaks, lock-in calibration, fitted models; and what cannot be believed."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np
import pandas as pd

from sts.curves.averaging import common_value, unit_means
from sts.curves.distributions import NORMAL_95
from sts.curves.replicates import repeats_among
from sts.curves.smoothing import Smoother, make_smoother
from sts.flags import flag_rows, join_flags, no_flags
from sts.plan import Plan
from sts.quantities import BOLTZMANN_EV, with_prefix
from sts.spectra.common_axis import NOISE, with_triangle
from sts.spectra.each_sweep import WHO, Rows, features_of_sweeps
from sts.spectra.fit_data import fit_data, repeat_means, smoother_of, with_temperature_error
from sts.spectra.gaps.band_forms import Blur
from sts.spectra.gaps.floors import LEAST_CONTRAST
from sts.spectra.gaps.gap import gap_edges
from sts.spectra.gaps.soft_gap import half_depth, soft_gap_error, soft_gap_width
from sts.spectra.gaps.steepness import steepest_rise
from sts.spectra.junction_temperature import junction_temperature
from sts.spectra.lockin.calibrated import running_integral
from sts.spectra.lockin.comparison import calibrate_lockin, integral_ratio
from sts.spectra.models import MODELS, LineFit
from sts.spectra.peaks import RESAMPLES, find_peaks, noise_of_few
from sts.spectra.spectrum import Spectrum
from sts.sweeps import SweepSet

LEAST_DIP = 0.03  # depth of a dip over the level beside it; what is less is no gap of any kind


def with_features(spectrum: Spectrum, sweeps: SweepSet, plan: Plan) -> Spectrum:
    """The spectrum with gap, peaks, lock-in calibration and the fits of the plan found, and flags for what is doubtful.

    Parameters
    ----------
    spectrum : Spectrum
        Of `average_spectrum`.
    sweeps : SweepSet
        The group it was averaged from.
    plan : Plan
        Section `features`.

    Returns
    -------
    Spectrum
    """
    settings = plan.features
    temperature = junction_temperature(sweeps.table).value
    flags = [spectrum.flags if spectrum.flags is not None else no_flags()]
    each, units = repeat_means(spectrum, sweeps)
    gaps = gap_edges(
        spectrum.bias, each, units=units, temperature_K=temperature, resolution_V=spectrum.resolution.total_V,
        blur=_blur(spectrum, sweeps, plan), exponent=settings.exponent, seed=plan.spectra.seed,
    ) if settings.gap else None  # fmt: skip
    if gaps is not None and gaps["gap_method"].eq("").all():
        gaps = _soft(spectrum, each, units, gaps)
    rows = unit_means(each, units)
    peaks = find_peaks(
        spectrum.bias, rows, resolution_V=spectrum.resolution.total_V, significance=settings.peak_significance,
        seed=plan.spectra.seed, noise=_noise_of_few(spectrum, rows, sweeps, plan), one_sided=spectrum.ends,
        difference=_of_directions(spectrum, plan),
    ) if settings.peaks else None  # fmt: skip
    if peaks is not None and (peaks["flag"] != "").any():
        where = ", ".join(f"{with_prefix(p * 1e3, 'mV')}" for p in peaks.loc[peaks["flag"] != "", "position_V"])
        flags.append(flag_rows([""], [True], "narrower than resolution", [f"peaks at {where}"]))
    if np.isfinite(temperature):
        limit = BOLTZMANN_EV * temperature * np.log(10)
        rise, place = steepest_rise(spectrum.bias, spectrum.didv, spectrum.didv_se)
        if rise < 0.8 * limit:
            width, at, least = (with_prefix(volts * 1e3, "mV") for volts in (rise, place, limit))
            detail = f"a decade in {width} at {at}; {least} is the limit"
            flags.append(flag_rows([""], [True], "too steep", [detail]))
    lockin = None
    if sweeps.lockin is not None and sweeps.has_current and sweeps.lockin_unit != "ohm":  # dV/dI is no gain times dI/dV
        used = sweeps.select(np.isin(sweeps.names, spectrum.sweeps))
        lockin, words = _lockin(spectrum, used, plan)
        if words:
            flags.append(flag_rows([""], [True], "lock-in mismatch", [words]))
    fits, untried, suggested = _fits(spectrum, (each, units), sweeps, plan)
    flags += _doubtful_fits(fits)
    return replace(spectrum, gaps=gaps, peaks=peaks, lockin=lockin, fits=fits, untried=untried, suggested=suggested,
                   flags=join_flags(flags), sweep_features=_of_sweeps(spectrum, sweeps, plan, (gaps, peaks)))  # fmt: skip


def _blur(spectrum: Spectrum, sweeps: SweepSet, plan: Plan) -> Blur:
    """What broadens dI/dV of the spectrum."""
    temperature, rms = junction_temperature(sweeps.table).value, common_value(sweeps.table["modulation_V"])
    smoother = smoother_of(spectrum, np.isfinite(spectrum.didv), plan) if spectrum.smoothed_as else None
    kernel = None
    if smoother is not None:
        offsets, weights = smoother.kernel()
        there = np.abs(weights) > 1e-9 * weights.max()  # of the window only
        kernel = with_triangle((offsets[there], weights[there]), spectrum.resolution.axis_V)
    return Blur(np.nan_to_num(temperature), np.nan_to_num(rms), kernel)


def _of_sweeps(
    spectrum: Spectrum, sweeps: SweepSet, plan: Plan, found: tuple[pd.DataFrame | None, pd.DataFrame | None]
) -> pd.DataFrame | None:
    """The gap and peaks that were found, in each sweep; None for a single one."""
    gaps, peaks = found
    if len(spectrum.sweeps) < 2 or ((peaks is None or peaks.empty) and (gaps is None or gaps["gap_meV"].isna().all())):
        return None
    used = np.isin(sweeps.names, spectrum.sweeps)
    table = sweeps.table[used].reset_index(drop=True)
    table = table.assign(repeat=repeats_among(sweeps.table, sweeps.kind, used) + 1, day=table.get("day", ""))
    noise = np.sqrt(len(spectrum.sweeps)) * _point_noise(spectrum, sweeps, plan)
    rows = Rows(spectrum.bias, spectrum.didv_each, table[list(WHO)], noise)
    return features_of_sweeps(rows, gaps, peaks, blur=_blur(spectrum, sweeps, plan))


def _doubtful_fits(fits: dict[str, LineFit]) -> list[pd.DataFrame]:
    """Flags of the fits that are poor, and of those that were refused: these say nothing of the model."""
    said: dict[str, list[str]] = {}
    for model in MODELS:
        verdict = fits[model.key].verdict if model.key in fits else "good"
        flag = "fit refused" if verdict.startswith("refused") else "poor fit"
        if not verdict.startswith("good"):
            said.setdefault(flag, []).append(f"{model.title}: {verdict}" if len(fits) > 1 else verdict)
    return [flag_rows([""], [True], flag, ["; ".join(words)]) for flag, words in said.items()]


def _noise_of_few(spectrum: Spectrum, each: Any, sweeps: SweepSet, plan: Plan) -> Any:
    """Noise of the mean of one or two repeats on the spectrum's bias, (r, n); None where there are more."""
    return None if len(each) >= 3 else _point_noise(spectrum, sweeps, plan)


def _of_directions(spectrum: Spectrum, plan: Plan) -> Any:
    """What of half the difference of the directions no cause explains, as dI/dV (n,): the noise of the mean of a single pair."""
    half, fitted, good = spectrum.half_difference, spectrum.half_difference_fit, np.isfinite(spectrum.didv)
    smoother = None if half is None or fitted is None or spectrum.from_lockin else smoother_of(spectrum, good, plan)
    if half is None or fitted is None or smoother is None:
        return None
    left = np.full(spectrum.bias.size, np.nan)
    left[good] = smoother.differentiate((half - fitted)[good])
    return left


def _point_noise(spectrum: Spectrum, sweeps: SweepSet, plan: Plan) -> Any:
    """Noise of the mean of the sweeps, by that of their points, on the spectrum's bias, (r, n)."""
    good = np.isfinite(spectrum.didv)
    smoother = smoother_of(spectrum, good, plan)
    rows = spectrum.didv_each if smoother is None else spectrum.current_each
    own = sweeps.number(NOISE)[np.isin(sweeps.names, spectrum.sweeps)]  # as it was before they came to a common axis
    level = own if np.isfinite(own).all() and smoother is not None else None
    noise = np.full((RESAMPLES, spectrum.bias.size), np.nan)
    if spectrum.from_lockin and spectrum.source is not None and sweeps.lockin is not None and smoother is not None:
        used = sweeps.lockin[np.isin(sweeps.names, spectrum.sweeps)] * spectrum.source.gain
        white = noise_of_few(used[:, good], None, seed=plan.spectra.seed)  # of the channel; smoothed as its integral is
        noise[:, good] = smoother.differentiate(running_integral(spectrum.bias[good], white))
    else:
        noise[:, good] = noise_of_few(rows[:, good], smoother, seed=plan.spectra.seed, level=level)
    return noise


def _soft(spectrum: Spectrum, each: Any, units: Any, gaps: pd.DataFrame) -> pd.DataFrame:
    """A dip that does not reach a floor has a width, which is no gap between bands."""
    v, g = spectrum.bias, spectrum.didv
    zero = spectrum.offsets.zero_crossing_V  # what was found and could not be taken off
    zero = 0.0 if np.isfinite(spectrum.offsets.bias_V) or not np.isfinite(zero) else zero
    width, lower, upper = soft_gap_width(v, g, zero)
    good = np.isfinite(g)
    found = half_depth(v[good], g[good], lower, upper) if np.isfinite(width) else None
    if found is None:
        return gaps
    depth, inner = found[0], good & (v > lower) & (v < upper)
    floor = float(np.min(g[inner]))
    level = floor + depth
    if depth < max(8 * float(np.median(spectrum.didv_se[inner])), LEAST_DIP * abs(level)):
        return gaps
    hard = floor * LEAST_CONTRAST < level
    u = soft_gap_error(v, g, spectrum.didv_se, unit_means(each, units), (lower, upper))
    if not u[0] < width / 2:
        return gaps
    row = gaps.iloc[[0]].copy()
    row["gap_method"] = "width at half depth" if hard else "soft gap, width at half depth"
    row["gap_meV"], row["lower_edge_V"], row["upper_edge_V"] = width * 1e3, lower, upper
    row["gap_se_meV"], row["lower_edge_se_V"], row["upper_edge_se_V"] = u[0] * 1e3, u[1], u[2]
    row["gap_low_meV"], row["gap_high_meV"] = (width - NORMAL_95 * u[0]) * 1e3, (width + NORMAL_95 * u[0]) * 1e3
    row["floor"], row["floor_to_edge"] = floor, floor / level
    row["note"] = f"dI/dV falls to {100 * max(floor, 0.0) / level:.0f} % of its level beside the dip" + (
        "; where bands begin cannot be told" if hard else ", not to a floor: no gap between bands"
    )
    return row


def _fits(
    spectrum: Spectrum, repeats: tuple[Any, Any], sweeps: SweepSet, plan: Plan
) -> tuple[dict[str, LineFit], dict[str, str], tuple[str, ...]]:
    """Fits of the models that the plan asks for, why some were not tried, and models that it should ask for."""
    wanted = [model for model in MODELS if getattr(plan.features, model.key)]
    choosy = [model for model in MODELS if model.why_not is not None]
    measured, good = fit_data(spectrum, repeats, sweeps, plan, smoothed=bool(wanted))
    warmest, known = plan.features.superconductor_below_K, junction_temperature(sweeps.table)
    why = {model.key: model.why_not(measured, warmest) for model in choosy if model.why_not is not None}
    found = {}
    for model in wanted:
        if why.get(model.key):
            continue
        make = partial(model.fit, **{key: getattr(plan.features, key) for key in model.options})
        fit = with_temperature_error(make, measured, known)
        fitted, residual = np.full((2, spectrum.bias.size), np.nan)
        fitted[good], residual[good] = fit.fitted, fit.residual
        found[model.key] = replace(fit, fitted=fitted, residual=residual)
    asked = {model.key for model in wanted}
    untried = {key: words for key, words in why.items() if words and key in asked}
    return found, untried, tuple(key for key, words in why.items() if not words and key not in asked)


def _numerical(spectrum: Spectrum, good: Any, plan: Plan) -> tuple[Smoother | None, Any, Any, Any]:
    """Smoother of the derivative of the current, that of each sweep on the good points, the mean, its standard uncertainty."""
    source = spectrum.source
    if source is None or source.numerical_as is None:
        return smoother_of(spectrum, good, plan), spectrum.didv_each[:, good], spectrum.didv, spectrum.didv_se
    asked = source.numerical_as
    smoother = make_smoother(spectrum.bias[good], width_V=asked.width_V, method=asked.method, order=asked.order)
    return smoother, smoother.differentiate(spectrum.current_each[:, good]), source.numerical, source.numerical_se


def _lockin(spectrum: Spectrum, used: SweepSet, plan: Plan) -> tuple[Any, str]:
    """Calibration of the lock-in channel at equal resolution; words where it is off."""
    assert used.lockin is not None
    good = np.isfinite(spectrum.bias) & np.isfinite(spectrum.didv)
    lockin = used.lockin[:, good]
    finite = np.isfinite(lockin).all(axis=1)
    if finite.sum() == 0:
        return None, ""
    raw, (smoother, didv_each, didv, didv_se) = lockin[finite], _numerical(spectrum, good, plan)
    lockin = smoother.apply(raw) if smoother is not None else raw
    level = plan.compare.confidence
    ends = None
    if used.lockin_unit == "S":
        ends = integral_ratio(spectrum.bias[good], raw, used.current[finite][:, good], confidence=level)
    try:
        found = calibrate_lockin(
            lockin, didv_each[finite], unit=used.lockin_unit, confidence=level,
            tolerance=plan.features.lockin_tolerance, didv_se=didv_se[good], end_to_end=ends,
        )  # fmt: skip
    except ValueError:
        return None, ""
    curve = np.full(spectrum.bias.size, np.nan)
    curve[good] = lockin.mean(axis=0)
    return replace(found, curve=curve, didv=didv, didv_se=didv_se), found.verdict if found.agrees is False else ""
