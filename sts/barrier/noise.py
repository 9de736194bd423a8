"""The noise of an I(z) sweep: variance = σ0² + shot + gap noise, from the residuals of the fit themselves.

var(I) = α + β|S| + γS², with S the fitted tunnelling current: α = σ0² (electronics, converter steps), β = 2eB (shot
noise in the bandwidth B) and γ = η² (relative noise of the gap).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np

from sts.barrier.blocks import Array, Mask, Rows
from sts.quantities import ELEMENTARY_CHARGE

CLIP = 9.0  # squared standardised residuals count at most this much: a jump must not become the noise
CLIP_MEAN = 0.9853  # mean of min(z², 9) for a standard normal z (closed form: 1 - 2[(1-9)(1-Φ(3)) + 3φ(3)])
_SUBSETS = [list(s) for size in (3, 2, 1) for s in combinations(range(3), size)]


@dataclass(frozen=True, eq=False)
class Noise:
    """Noise of m sweeps."""

    terms: Array  # (m, 3): α [A²], β [A], γ

    @property
    def electronics(self) -> Array:
        """Standard deviation without current [A], shape (m,)."""
        return np.sqrt(self.terms[:, 0])

    @property
    def shot_bandwidth(self) -> Array:
        """Bandwidth that lets so much shot noise pass [Hz], shape (m,)."""
        return self.terms[:, 1] / (2 * ELEMENTARY_CHARGE)

    @property
    def gap(self) -> Array:
        """Relative standard deviation of the current by noise of the gap, shape (m,)."""
        return np.sqrt(self.terms[:, 2])

    def variance(self, signal: Array, rows: Any = slice(None)) -> Array:
        """Variance of each sample [A²].

        Parameters
        ----------
        signal : ndarray, shape (k, n)
            Fitted tunnelling current [A].
        rows : index
            The k sweeps it is that of, if not all.

        Notes
        -----
        α + β|S| + γS²: see the head of the module.
        """
        alpha, beta, gamma = (self.terms[rows, i, None] for i in range(3))
        size = np.abs(signal)
        variance = gamma * size
        variance += beta
        variance *= size
        variance += alpha
        return variance


@dataclass(frozen=True, eq=False)
class PooledNoise(Noise):
    """Noise of m groups of sweeps, or of m sweeps as their groups have it."""

    scale: Array  # (m,) typical largest current [A]
    step: Array  # (m,) converter step [A], NaN if none is seen
    floor: Array  # (m,) least α [A²]
    correlation: Array  # (m,) of neighbours in the noise of the gap, 0 where white noise may give it
    slow: Mask  # (m,) whether any of the noise is significantly alike from sample to sample


@dataclass(frozen=True, eq=False)
class NoiseSums:
    """Normal equations of the variance regression, summed over the sweeps of each group (and over blocks)."""

    matrix: Array  # (g, 3, 3)
    vector: Array  # (g, 3)

    def __add__(self, other: NoiseSums) -> NoiseSums:
        return NoiseSums(self.matrix + other.matrix, self.vector + other.vector)


def noise_sums(residual: Array, signal: Array, variance: Array, usable: Array, group: Rows, scale: Array) -> NoiseSums:
    """Sums for one step of Fisher scoring of the variance terms.

    Parameters
    ----------
    residual, signal, variance : ndarray, shape (m, n)
        Residuals and fitted current [A], present variance [A²].
    usable : ndarray, shape (m, n)
        1 for a usable sample, 0 for a masked one; rows of sweeps that shall not count are 0.
    group : ndarray of int, shape (m,)
    scale : ndarray, shape (g,)
        Typical current [A] of each group; the regression runs on S/scale, so that its matrix is well conditioned.

    Notes
    -----
    The squared residual has mean v and variance 2v² (normal noise): weighted least squares of r² on (1, S, S²) with
    weights 1/v² is the maximum-likelihood step. Squared residuals are cut at 9 v and rescaled, so that a few jumps do
    not count as noise.
    """
    there = usable.any(axis=1)  # what no fit follows may be infinite, and must not reach a sum even times 0
    residual, signal, variance, usable = (a[there] for a in (residual, signal, variance, usable))
    group = group[there]
    unit = scale[group, None]
    groups = len(scale)
    size = np.abs(signal) / unit
    weight = usable / (variance / unit**2) ** 2
    square = np.minimum(residual**2, CLIP * variance) / (CLIP_MEAN * unit**2)
    powers = [weight.sum(axis=1)]
    term = weight
    products = [np.vecdot(term, square)]
    for power in range(1, 5):
        term = term * size
        powers.append(term.sum(axis=1))
        if power < 3:
            products.append(np.vecdot(term, square))
    each = np.stack(powers, axis=1)
    matrix, vector = np.zeros((groups, 3, 3)), np.zeros((groups, 3))
    np.add.at(matrix, group, each[:, [[0, 1, 2], [1, 2, 3], [2, 3, 4]]])
    np.add.at(vector, group, np.stack(products, axis=1))
    return NoiseSums(matrix, vector)


def solve_noise(total: NoiseSums, scale: Array, floor: Array) -> Array:
    """Variance terms (g, 3) from the sums, none negative.

    Parameters
    ----------
    total : NoiseSums
        Of g groups.
    scale, floor : ndarray, shape (g,)
        As for `noise_sums`; least α [A²].

    Notes
    -----
    The best of the seven subsets of terms that comes out non-negative is taken (non-negative least squares in three
    unknowns, for all groups at once).
    """
    groups = len(total.vector)
    best, gain = np.zeros((groups, 3)), np.full(groups, -np.inf)
    for subset in _SUBSETS:
        a = total.matrix[:, subset][:, :, subset]
        b = total.vector[:, subset]
        diagonal = np.sqrt(np.maximum(np.einsum("gii->gi", a), 1e-300))
        scaled = a / diagonal[:, :, None] / diagonal[:, None, :] + 1e-12 * np.eye(len(subset))
        x = np.linalg.solve(scaled, (b / diagonal)[:, :, None])[:, :, 0] / diagonal
        value = np.vecdot(x, b)  # decrease of the sum of squares
        take = (x >= 0).all(axis=1) & np.isfinite(value) & (value > gain * (1 + 1e-9))
        full = np.zeros((groups, 3))
        full[:, subset] = x
        best[take], gain[take] = full[take], value[take]
    terms = best * np.stack([scale**2, scale, np.ones_like(scale)], axis=1)
    terms[:, 0] = np.maximum(terms[:, 0], floor)
    return terms
