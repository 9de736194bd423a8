"""What a converter's steps do to an average of sweeps, where the noise is too small to dither them.

Sweeps that follow the same curve are then rounded alike: their mean is off as much as each of them, and they do not scatter for it.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from sts.curves.electronics import common_step
from sts.curves.smoothing import Smoother

Array = NDArray[np.float64]

HARMONICS = np.arange(1, 13)  # of the saw that rounding makes; the rest has 5 % of its power
TILTS = np.arange(-3, 4) / 4  # steps per window of the smoothing: what rounding can hide of a slope
LEAST = 0.02  # of the first of them that the noise leaves: below, rounding is white noise


def rounding_rows(current: Any, smoother: Smoother) -> Array:
    """Deviations of the mean of sweeps by rounding that all of them share, shape (r, k) [A]; r is 0 where there is none.

    Parameters
    ----------
    current : array_like, shape (m, k)
        Readings [A], as recorded.
    smoother : Smoother
        On the same points.

    Notes
    -----
    The error of rounding μ to steps s under normal noise σ is a saw in μ with the amplitudes s/(πk) exp(-2π²k²σ²/s²) of its
    harmonics k (B. Widrow & I. Kollár, Quantization Noise, 2008). Where the zero of the current may lie anywhere between two
    steps, its covariance at μ and μ' is the sum over k of half the square of these, times cos 2πk(μ - μ')/s: that of two rows for
    each harmonic. Over m sweeps the mean of exp(2πikμ/s) is what stays, less what their scatter shows already (1/m of each
    alone). The μ are the smoothed mean, moved and scaled to each sweep.

    Where the current rises by about a whole number of steps from sample to sample the readings do so too, and a slope
    that is off by up to three quarters of a step per window reads the same: the saw is then as slow as the spectrum,
    and stays. So the covariance is averaged over slopes that differ by so much.
    """
    current = np.atleast_2d(np.asarray(current, float))
    step, nothing = common_step(current), np.zeros((0, current.shape[1]))
    if np.isnan(step):
        return nothing
    curves = _curves(current, smoother)
    residual = current - curves
    variance = max(float(np.mean(np.minimum(residual**2, 9 * np.median(residual**2) + step**2))) - step**2 / 12, 0.0)
    left = np.exp(-2 * (np.pi * HARMONICS) ** 2 * variance / step**2)
    if left[0] < LEAST:
        return nothing
    window = max(smoother.width / float(np.median(np.abs(np.diff(smoother.axis)))), 1.0)
    tilts = TILTS[:, None, None] * np.arange(current.shape[1]) / window
    places, m = (curves - curves.mean()) / step + tilts, len(current)
    rows = []
    for k, size in zip(HARMONICS, left * step / (np.sqrt(2) * np.pi * HARMONICS), strict=True):
        mean = np.exp(2j * np.pi * k * places).mean(axis=1)
        power = np.maximum(np.abs(mean) ** 2, 1e-12)
        shared = 1.0 if m == 1 else np.sqrt(np.maximum(m * power - 1, 0.0) / ((m - 1) * power))
        each = size / np.sqrt(len(TILTS)) * shared
        rows += [*(each * mean.real), *(each * mean.imag)]
    return np.array(rows)


def _curves(current: Array, smoother: Smoother) -> Array:
    """Each sweep without noise and rounding, shape (m, k): the smoothed mean, moved and scaled to it."""
    mean = smoother.apply(current.mean(axis=0))
    apart = mean - mean.mean()
    slope = current @ apart / max(float(apart @ apart), 1e-300)
    return np.asarray(current.mean(axis=1)[:, None] + slope[:, None] * apart)
