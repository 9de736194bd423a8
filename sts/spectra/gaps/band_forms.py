"""The edge of one band: forms dI/dV ∝ (distance)^p seen through temperature, modulation and smoothing, fitted side by side.

Which exponent holds is asked of the data. Where they cannot tell, every form that fits counts by its weight, and the
spread between the forms is part of the uncertainty.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, ndtr

from sts.quantities import BOLTZMANN_EV

Array = NDArray[np.float64]

EXPONENTS = (0.0, 0.5, 1.0, 2.0)
FINE = 30  # grid points over the widest kernel


@dataclass(frozen=True, eq=False)
class Blur:
    """What broadens dI/dV.

    Attributes
    ----------
    temperature_K : float
        0 is none.
    modulation_rms_V : float
        0 is none.
    smoothing : (offsets, weights), optional
        Kernel of the smoothing: distances from the point [V], and the weight of dI/dV there, (k,) each.
    gaussian_V : float
        Full width at half height of whatever else there is; 0 is none.
    """

    temperature_K: float = 0.0
    modulation_rms_V: float = 0.0
    smoothing: tuple[Array, Array] | None = None
    gaussian_V: float = 0.0

    @cached_property
    def kernel(self) -> tuple[float, Array] | None:
        """Step [V] of a grid and the weights of its cells, the middle one at zero; None where nothing broadens."""
        kT, peak = BOLTZMANN_EV * self.temperature_K, np.sqrt(2) * self.modulation_rms_V
        parts: list[tuple[float, float, Callable[[Array], Array]]] = []  # width, reach, sum up to a distance
        if kT > 0:
            parts.append((3.53 * kT, 20 * kT, lambda x: np.asarray(expit(x / kT))))
        if peak > 0:
            parts.append((1.73 * peak, peak, lambda x: _half_circle(x / peak)))
        if self.gaussian_V > 0:
            wide = self.gaussian_V / 2.3548
            parts.append((self.gaussian_V, 5 * wide, lambda x: _normal(x / wide)))
        if self.smoothing is not None and self.smoothing[0].size > 1:
            x, weight = self.smoothing
            half = float(np.median(np.diff(x))) / 2
            ends, sums = np.r_[x - half, x[-1] + half], np.r_[0.0, np.cumsum(weight) / weight.sum()]
            reach = float(max(-ends[0], ends[-1]))
            spread = float(np.sqrt(max(np.sum(weight * x**2) / weight.sum(), half**2)))
            parts.append((2.3548 * spread, reach, lambda x: np.asarray(np.interp(x, ends, sums))))
        if not parts:
            return None
        step = max(width for width, _, _ in parts) / FINE
        total = np.ones(1)
        for _, reach, summed in parts:
            count = int(np.ceil(reach / step)) + 1
            cells = step * (np.arange(-count, count + 2) - 0.5)
            total = np.convolve(total, np.diff(summed(np.asarray(cells, float))))
        return step, total / total.sum()

    @cached_property
    def width(self) -> float:
        """2.35 standard deviations of the kernel [V]: its full width at half height, were it a Gaussian."""
        if self.kernel is None:
            return 0.0
        step, weights = self.kernel
        return float(
            2.3548 * step * np.sqrt(max(np.sum(weights * (np.arange(weights.size) - weights.size // 2) ** 2), 0.0))
        )

    def edge(self, exponent: float, distance: Array) -> Array:
        """(distance)^p beyond an edge as it is seen, at distances from it [V], any shape; 0 well before it.

        Parameters
        ----------
        exponent : float
        distance : numpy.ndarray
        """
        if self.kernel is None:
            inside = distance > 0
            return np.where(inside, np.where(inside, distance, 1.0) ** exponent, 0.0)
        step, weights = self.kernel
        half = weights.size // 2
        count = int(np.ceil(max(float(distance.max()), step) / step)) + half + 2
        seen = _seen(self, exponent, 1 << (count - 1).bit_length())
        return np.interp(distance, step * (np.arange(seen.size) - half - 1), seen, left=0.0)


@lru_cache(maxsize=32)
def _seen(blur: Blur, exponent: float, count: int) -> Array:
    """(distance)^p through the kernel, on its grid from half the kernel before the edge to `count` points beyond."""
    assert blur.kernel is not None
    step, weights = blur.kernel
    half = weights.size // 2
    ends = np.maximum(step * (np.arange(-2 * half - 1, count + half + 1) - 0.5), 0.0)
    cells = np.diff(ends ** (exponent + 1)) / ((exponent + 1) * step)
    return np.asarray(np.convolve(cells, weights, "valid"))


def _half_circle(x: Array) -> Array:
    """Sum of the kernel of a sinusoidal modulation up to x, in units of its amplitude."""
    x = np.clip(x, -1, 1)
    return np.asarray(0.5 + (x * np.sqrt(1 - x**2) + np.arcsin(x)) / np.pi)


def _normal(x: Array) -> Array:
    return np.asarray(ndtr(x))
