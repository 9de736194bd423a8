"""What of a spectrum models are fitted to: mean, noise and how its points are tied together, from the scatter of repeats."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
from scipy.ndimage import uniform_filter1d

from sts.curves.averaging import common_value, unit_means
from sts.curves.distributions import wider_of_few
from sts.curves.replicates import repeats_among
from sts.curves.smoothing import Smoother, make_smoother
from sts.plan import Plan
from sts.spectra.junction_temperature import JunctionTemperature, junction_temperature
from sts.spectra.models import LineFit, Measured
from sts.spectra.smoothing_width import same_level
from sts.spectra.spectrum import Spectrum
from sts.spectra.units import unit_codes
from sts.sweeps import SweepSet

LEAST_FOR_COVARIANCE = 6  # repeats; the scatter of fewer is no estimate of how points are tied together


def repeat_means(spectrum: Spectrum, sweeps: SweepSet) -> tuple[Any, Any]:
    """dI/dV of every repeat, directions averaged, and the unit that each is of: repeat, site or tip, as for the bands.

    Parameters
    ----------
    spectrum : Spectrum
    sweeps : SweepSet
        The group it was averaged from.
    """
    used = np.isin(sweeps.names, spectrum.sweeps)
    repeats = repeats_among(sweeps.table, sweeps.kind, used)
    return unit_means(spectrum.didv_each, repeats), unit_codes(sweeps.table[used], repeats, spectrum.replicates)


def fit_data(
    spectrum: Spectrum, repeats: tuple[Any, Any], sweeps: SweepSet, plan: Plan, *, smoothed: bool = True
) -> tuple[Measured, Any]:
    """The data of a fit, and which points of the spectrum (n,) they are.

    From three repeats on, the scatter of the repeats about a common level is the noise. Sites or tips that make the bands make
    the uncertainties, too: with Student's t, by what each of them moves the parameters.

    Parameters
    ----------
    spectrum : Spectrum
    repeats : (numpy.ndarray, numpy.ndarray)
        As of `repeat_means`.
    sweeps : SweepSet
        The group it was averaged from.
    plan : Plan
    smoothed : bool
        Whether the smoother comes along.
    """
    each, units = repeats
    alone = unit_means(each, units)
    good = np.isfinite(spectrum.didv) & np.isfinite(each).all(axis=0)
    error, covariance = spectrum.didv_se[good], None
    if len(each) >= 3:
        error, covariance = _noise(same_level(each[:, good]))
        if len(alone) < len(each):
            m = len(alone)
            covariance = _noise(same_level(alone[:, good]))[1] * wider_of_few(m) ** 2 if m >= 3 else None
        elif len(each) < LEAST_FOR_COVARIANCE:
            covariance = None
    measured = Measured(
        spectrum.bias[good], spectrum.didv[good], error, junction_temperature(sweeps.table).value,
        common_value(sweeps.table["modulation_V"]), smoother_of(spectrum, good, plan) if smoothed else None, covariance,
    )  # fmt: skip
    return measured, good


def scatter_data(spectrum: Spectrum, sweeps: SweepSet, plan: Plan) -> tuple[Measured, int]:
    """As `fit_data`, its noise the scatter of the units alone, however few, and its degrees of freedom.

    Parameters
    ----------
    spectrum : Spectrum
    sweeps : SweepSet
        The group it was averaged from.
    plan : Plan

    Raises
    ------
    ValueError
        If there are fewer than three repeats.
    """
    each, units = repeat_means(spectrum, sweeps)
    if len(each) < 3:
        raise ValueError(f"{len(each)} of the three repeats that a scatter needs")
    measured, good = fit_data(spectrum, (each, units), sweeps, plan)
    alone = unit_means(each, units)
    rows = alone if len(alone) >= 3 else each
    return replace(measured, covariance=_noise(same_level(rows[:, good]))[1]), len(rows) - 1


def with_temperature_error(
    make: Callable[[Measured], LineFit], measured: Measured, known: JunctionTemperature
) -> LineFit:
    """A fit, with what the uncertainty of a stated temperature adds to that of its parameters.

    Parameters
    ----------
    make : callable
        The fit of data.
    measured : Measured
        At that temperature.
    known : JunctionTemperature
        Where its `se` is not known, or the fit found the temperature itself, nothing is added.

    Notes
    -----
    Half the difference of the fits one standard uncertainty above and below, squared, is added to the covariance (JCGM 100:2008,
    5.1.3, note 2).
    """
    fit = make(measured)
    if not known.se > 0 or not fit.errors or "temperature" in fit.errors:
        return fit
    ends = known.value + known.se, max(known.value - known.se, 0.01 * known.value)
    warmer, colder = (make(replace(measured, temperature_K=kelvin)) for kelvin in ends)
    if not (warmer.values and colder.values):
        return fit
    error = np.array(list(fit.errors.values()))
    moved = np.array([(warmer.values[name] - colder.values[name]) / 2 for name in fit.errors])
    covariance = fit.correlation * np.outer(error, error) + np.outer(moved, moved)
    total = np.sqrt(np.diag(covariance))
    with np.errstate(divide="ignore", invalid="ignore"):
        correlation = covariance / np.outer(total, total)
    return replace(fit, errors=dict(zip(fit.errors, total.tolist(), strict=True)), correlation=correlation)


def smoother_of(spectrum: Spectrum, points: Any, plan: Plan) -> Smoother | None:
    """The smoother of the spectrum on those of its points that have a value; None where nothing was smoothed.

    Parameters
    ----------
    spectrum : Spectrum
    points : numpy.ndarray of bool, shape (n,)
    plan : Plan
    """
    width = spectrum.resolution.smoothing_V
    if not np.isfinite(width):
        return None
    return make_smoother(
        spectrum.bias[points], width_V=width, method=plan.spectra.smoothing, order=plan.spectra.order
    )  # fmt: skip


def _noise(each: Any) -> tuple[Any, Any]:
    """Standard uncertainty of the mean of repeats (m, n) at every point, and its covariance (n, n).

    The standard uncertainty is pooled over a twentieth of the points, since that of few repeats scatters itself.
    """
    m, n = each.shape
    deviation = (each - each.mean(axis=0)) / np.sqrt(m * (m - 1))
    pooled = uniform_filter1d((deviation**2).sum(axis=0), max(3, n // 20), mode="nearest")
    return np.sqrt(pooled), deviation.T @ deviation
