"""Residuals and model of sweeps in units of their noise, sample by sample or averaged; and how alike neighbours are there."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from sts.barrier.averages import averaged
from sts.barrier.blocks import Array, take
from sts.barrier.exponential import Fitted, Samples, inverse
from sts.barrier.noise import PooledNoise

LEAST_GAP = 0.005  # relative noise of the gap that is looked for at least


@dataclass(frozen=True, eq=False)
class Whitened:
    """Residuals and model of k sweeps in units of the noise, each (k, n), and the sizes of the two kinds of noise there."""

    residual: Array  # 0 where masked
    amplitude: Array  # the three columns of the model: S, 1, u S
    offset: Array
    decay: Array
    relative: Array
    additive: Array

    @classmethod
    def of(cls, samples: Samples, fitted: Fitted, noise: PooledNoise) -> Whitened:
        """From a fit and the noise of its sweeps.

        Parameters
        ----------
        samples, fitted, noise : Samples, Fitted, PooledNoise
            Of k sweeps.
        """
        weight = samples.usable / np.sqrt(fitted.variance)
        signal = weight * fitted.products.signal
        gap = np.maximum(noise.gap, LEAST_GAP)[:, None]
        return cls(
            weight * fitted.products.residual, signal, weight, signal * samples.u, gap * np.abs(signal),
            weight * noise.electronics[:, None],
        )  # fmt: skip

    def rows(self, rows: Any) -> Whitened:
        """Those of some sweeps."""
        return take(self, rows)

    def inverse(self) -> Array:
        """Inverse normal matrix of each sweep, shape (k, 3, 3)."""
        columns = (self.amplitude, self.offset, self.decay)
        return inverse(np.array([[np.vecdot(a, b) for b in columns] for a in columns]).transpose(2, 0, 1))

    @property
    def model(self) -> Array:
        """The columns of the fit, shape (3, k, n)."""
        return np.stack([self.amplitude, self.offset, self.decay])

    def weights(self, of_parameters: Array, number: int = 2) -> Array:
        """Weights of the samples in a parameter, shape (k, n).

        Parameters
        ----------
        of_parameters : ndarray, shape (k, 3, 3)
            Inverse of the normal matrix.
        number : int
            0 the amplitude, 1 the offset, 2 the decay.
        """
        return np.asarray(np.einsum("kj,jkn->kn", of_parameters[:, number], self.model, optimize=True))


@dataclass(frozen=True, eq=False)
class Coarse:
    """What the uncertainty of k sweeps needs where their noise is all but white, on b averages of neighbouring samples."""

    columns: Array  # (3, k, b) of the model, in units of the noise
    relative: Array  # (k, b) size of the noise of the gap
    additive: Array  # (k, b) of all other noise

    @classmethod
    def of(cls, samples: Samples, fitted: Fitted, noise: PooledNoise, length: int) -> Coarse:
        """From a fit and the noise of its sweeps.

        Parameters
        ----------
        samples, fitted, noise : Samples, Fitted, PooledNoise
            Of k sweeps.
        length : int
            Samples in an average.
        """
        weight = np.sqrt(fitted.products.weight)
        signal = weight * fitted.products.signal
        columns = np.stack([averaged(column, length) for column in (signal, weight, signal * samples.u)])
        gap, other = np.maximum(noise.gap, LEAST_GAP), noise.electronics
        sizes = (gap[:, None] * np.abs(columns[0]), other[:, None] * columns[1])
        return cls(columns, *(size / np.sqrt(length) for size in sizes))


def slow_correlation(signal: Array, residual: Array, variance: Array, usable: Array, gap: Array) -> tuple[Array, Array]:
    """How alike residuals are, and the spread of that for white noise.

    Parameters
    ----------
    signal, residual, variance, usable : ndarray, shape (m, n)
        Fitted tunnelling current [A], measured minus fitted [A], variance [A²], 1 or 0.
    gap : ndarray, shape (m,)
        Relative variance η² of the gap noise.

    Returns
    -------
    (ndarray, ndarray), shape (3, m)
        Correlation of neighbours in the noise of the gap and in all other noise; correlation at any distance up to a sixteenth of
        the sweep, in which 1/f noise shows that is buried in white noise.
    """
    of_gap = usable * gap[:, None] * signal**2 / variance
    standardised = residual * usable / np.sqrt(variance)
    seen = [_correlation(standardised, share) for share in (of_gap, usable - of_gap)]
    seen.append(_at_a_distance(standardised, usable))
    correlation, spread = (np.stack(part) for part in zip(*seen, strict=True))
    return correlation, spread


def _at_a_distance(residual: Array, usable: Array) -> tuple[Array, Array]:
    """Mean correlation at the distances from 1 to a sixteenth of the sweep, and its spread; (m,) each."""
    pairs, total = _products(usable), np.vecdot(residual, residual)
    count = np.vecdot(usable, usable)
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = _products(residual) / pairs / (total / count)
        real = (total > 1e-6 * count) & np.isfinite(mean)
        return np.where(real, mean, 0.0), np.where(pairs > 0, 1 / np.sqrt(pairs), np.inf)


def _products(values: Array) -> Array:
    """Sums of products of each row with itself at the distances from 1 to a sixteenth of its length, (m,)."""
    n = values.shape[1]
    power = np.abs(np.fft.rfft(values, n=2 * n, axis=1)) ** 2
    return np.asarray(np.fft.irfft(power, n=2 * n, axis=1)[:, 1 : max(2, n // 16 + 1)].sum(axis=1))


def _correlation(residual: Array, share: Array) -> tuple[Array, Array]:
    """Correlation of neighbouring standardised residuals, weighted by `share` (m, n), and its spread; (m,) each."""
    x = residual * share
    total = np.vecdot(x, x)
    each = np.vecdot(share[:, 1:] ** 2, share[:, :-1] ** 2)
    with np.errstate(divide="ignore", invalid="ignore"):
        correlation = np.vecdot(x[:, 1:], x[:, :-1]) / total
        spread = np.sqrt(each) / np.vecdot(share, share)
    # Noise-free curves leave rounding errors, which are correlated but no noise: far below the least noise assumed.
    real = total > 1e-6 * np.vecdot(share, share)
    return np.where(real & np.isfinite(correlation), correlation, 0.0), np.where(np.isfinite(spread), spread, np.inf)
