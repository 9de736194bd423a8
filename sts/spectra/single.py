"""One sweep brought to dI/dV and (dI/dV)/(I/V) in the way that its group was: the same offsets, the same linear operator."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from sts.curves.electronics import find_saturation
from sts.curves.smoothing import Asked, Smoother, make_smoother
from sts.plan import SpectraPlan
from sts.spectra.bands import zero_weights
from sts.spectra.lockin.calibrated import running_integral
from sts.spectra.normalised import normalise
from sts.spectra.offsets import remove_offsets
from sts.spectra.setpoints import scaled_to_setpoint
from sts.spectra.spectrum import Spectrum
from sts.sweeps import SweepSet

Array = NDArray[np.float64]

KEPT_SMOOTHERS = 8  # the groups one looks at in turn


@dataclass(frozen=True, eq=False)
class SingleSpectrum:
    """One sweep on the n points of its group's bias axis; NaN where it has no usable sample of its own.

    Attributes
    ----------
    current_A : numpy.ndarray
        (n,) smoothed, offsets removed.
    didv : numpy.ndarray
        (n,) in the unit of the group's.
    normalised : numpy.ndarray
        (n,).
    """

    current_A: Array
    didv: Array
    normalised: Array


def single_spectrum(sweep: SweepSet, spectrum: Spectrum, plan: SpectraPlan) -> SingleSpectrum:
    """dI/dV and normalised conductance of one sweep, used or not, as its group's spectrum is made.

    Parameters
    ----------
    sweep : SweepSet
        Of one I(V) sweep on the axis of the group; at a varying gap, brought to constant separation before.
    spectrum : Spectrum
        Of its group.
    plan : SpectraPlan
        The settings that the spectrum was made with.

    Returns
    -------
    SingleSpectrum

    Raises
    ------
    ValueError
        If there is not one sweep, it is not on the axis of the group, or it is to be scaled to a set-point it does not have.

    Notes
    -----
    Directions are not balanced: that takes both. Missing and saturated samples are filled in with the group's mean, scaled to the
    sweep, before the operator is applied, and left out afterwards.
    """
    n = spectrum.bias.size
    if sweep.current.shape != (1, n):
        raise ValueError(f"One sweep of {n} points is needed, as its group has them; {sweep.current.shape} came.")
    none = np.full(n, np.nan)
    if not sweep.has_current:
        own = none if sweep.lockin is None else sweep.lockin[0]
        return SingleSpectrum(none, np.array(own), none)
    points = np.isfinite(spectrum.current)
    railed = find_saturation(sweep.current, full_scale=sweep.number("full_scale_A"))[0]
    there = np.isfinite(sweep.current[0]) & ~railed & points
    if spectrum.smoothed_as is None or there.sum() < 2:
        return SingleSpectrum(none, none, none)
    recorded = np.where(there, sweep.current[0], np.nan)[points][None]
    bias, current = remove_offsets(sweep.axis[points], recorded, spectrum.offsets, plan)
    current = _filled(current[0], spectrum.current[points])
    if plan.scale_to_setpoint:
        current = scaled_to_setpoint(sweep, sweep.axis[points], current[None])[0]
    smoother = _smoother(bias.tobytes(), spectrum.smoothed_as)
    current = current - zero_weights(bias, smoother, plan) @ current
    smooth, didv = smoother.apply(current), smoother.differentiate(current)
    if spectrum.from_lockin and spectrum.source is not None and sweep.lockin is not None:
        signal = np.where(there, sweep.lockin[0], np.nan)[points]
        if not np.isfinite(signal[there[points]]).all():
            return SingleSpectrum(none, none, none)
        scaled = spectrum.source.gain * signal + spectrum.source.zero_S
        scaled = np.where(np.isfinite(scaled), scaled, spectrum.didv[points])
        didv = smoother.differentiate(running_integral(bias, scaled))
    ratio, _ = normalise(
        bias,
        smooth,
        didv,
        kind=plan.normalise,
        broadening_V=plan.broadening_V or np.nan,
        floor_S=plan.floor_S or np.nan,
    )
    whole = np.full((3, n), np.nan)
    whole[:, points] = smooth, didv, ratio
    return SingleSpectrum(*np.where(there, whole, np.nan))


def _filled(current: Array, mean: Array) -> Array:
    """The current (k,) with what is missing taken from the mean of the group, scaled to the sweep."""
    there = np.isfinite(current)
    if there.all():
        return current
    below = float(mean[there] @ mean[there])
    level = float(current[there] @ mean[there]) / below if below > 0 else 1.0
    return np.where(there, current, (level if level > 0 else 1.0) * mean)


@lru_cache(maxsize=KEPT_SMOOTHERS)
def _smoother(bias: bytes, asked: Asked) -> Smoother:
    return make_smoother(np.frombuffer(bias), width_V=asked.width_V, method=asked.method, order=asked.order)
