"""The noise of an I(z) sweep: variance = σ0² + shot + gap noise, from the residuals of the fit themselves.

var(I) = α + β|S| + γS², with S the fitted tunnelling current: α = σ0² (electronics, converter steps), β = 2eB (shot
noise in the bandwidth B) and γ = η² (relative noise of the gap).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
from scipy.special import erf, log_ndtr

from sts.barrier.blocks import Array, Mask, Rows
from sts.quantities import ELEMENTARY_CHARGE

CLIP = 9.0  # squared standardised residuals count at most this much: a jump must not become the noise
# Mean of min(z², 9) for a standard normal z, in closed form: z² within ±3 is 2Φ(3) - 1 - 6φ(3), by parts, and 9 beyond.
CLIP_MEAN = float((1 - CLIP) * erf(np.sqrt(CLIP / 2)) + CLIP - np.sqrt(2 * CLIP / np.pi) * np.exp(-CLIP / 2))  # 0.99501
_LOG_DENSITY = -np.log(2 * np.pi) / 2  # of the standard normal distribution at 0
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


def noise_sums(
    residual: Array, signal: Array, variance: Array, usable: Array, group: Rows, scale: Array, base: Array | None = None
) -> NoiseSums:
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
    base : ndarray, shape (m, n, 3), optional
        Of `fitted_base`, where the residuals are those of a fit, which has taken part of the noise away.

    Notes
    -----
    The squared residual has mean v and variance 2v² (normal noise): weighted least squares of r² on (1, S, S²) with
    weights 1/v² is the maximum-likelihood step. Squared residuals are cut at 9 v and rescaled, so that a few jumps do
    not count as noise.

    With `base` the step is that of restricted likelihood (H. D. Patterson & R. Thompson, Biometrika 58, 545 (1971)): the
    matrix is tr(P Vi P Vj), where P = W - W X (X' W X)⁻¹ X' W takes the fitted columns X out. It matters where points are
    few: the strong currents have a leverage near 1 then, their residuals are next to nothing, and the noise of the gap
    would be lost. The sum over pairs of samples is one over samples and a product of matrices, since P is diagonal but for
    the three columns.
    """
    there = usable.any(axis=1)  # what no fit follows may be infinite, and must not reach a sum even times 0
    residual, signal, variance, usable = (a[there] for a in (residual, signal, variance, usable))
    group, base = group[there], None if base is None else base[there]
    leverage = 0.0 if base is None else np.vecdot(base, base)
    unit = scale[group, None]
    groups = len(scale)
    size = np.abs(signal) / unit
    weight = usable / (variance / unit**2) ** 2
    square = np.minimum(residual**2, CLIP * (1 - leverage) * variance) / (CLIP_MEAN * unit**2)
    terms = [weight, weight * size, weight * size**2]
    vector, matrix = np.zeros((groups, 3)), np.zeros((groups, 3, 3))
    np.add.at(vector, group, np.stack([np.vecdot(term, square) for term in terms], axis=1))
    left = 1 - 2 * leverage
    powers = [(term * left).sum(axis=1) for term in (*terms, terms[2] * size, terms[2] * size**2)]
    each = np.stack(powers, axis=1)[:, [[0, 1, 2], [1, 2, 3], [2, 3, 4]]]
    if base is not None:
        share = usable * unit**2 / variance
        hidden = [base.mT @ ((share * size**power)[:, :, None] * base) for power in range(3)]
        each += np.einsum("imab,jmab->mij", hidden, hidden)
    np.add.at(matrix, group, each)
    return NoiseSums(matrix, vector)


def solve_cautiously(total: NoiseSums, scale: Array, floor: Array) -> Array:
    """Variance terms (g, 3) of groups that say little of them: electronics, and the mean of what the gap may have.

    Parameters
    ----------
    total, scale, floor
        As for `solve_noise`.

    Notes
    -----
    The estimate of a term that is not well determined is 0 in many groups, and fits that believe it are far too sure of the
    strong currents. Its mean over all that is not negative, by the information ½ tr(P Vi P Vj), is that of a truncated
    normal distribution, m + s φ(m/s)/Φ(m/s) (closed form).
    """
    a, c, b = (total.matrix[:, i, j] for i, j in ((0, 0), (0, 2), (2, 2)))
    with np.errstate(divide="ignore", invalid="ignore"):
        left = b - c**2 / a
        estimate, spread = (total.vector[:, 2] - c / a * total.vector[:, 0]) / left, np.sqrt(2 / left)
        gap = estimate + spread * np.exp(_LOG_DENSITY - (estimate / spread) ** 2 / 2 - log_ndtr(estimate / spread))
        alpha = (total.vector[:, 0] - c * gap) / a
    terms = np.nan_to_num(np.stack([alpha * scale**2, np.zeros_like(scale), gap], axis=1), posinf=0.0, neginf=0.0)
    terms[:, 0] = np.maximum(terms[:, 0], floor)
    return np.asarray(terms)


def fitted_base(signal: Array, weight: Array, u: Array) -> Array:
    """Orthonormal base of what a fit of amplitude, offset and decay can follow, in units of the noise, shape (m, n, 3).

    Parameters
    ----------
    signal, weight : ndarray, shape (m, n)
        Fitted tunnelling current [A], and 1/variance [1/A²], 0 where masked.
    u : ndarray, shape (n,)
        Scaled height.
    """
    root = np.sqrt(weight)
    columns = np.stack([root * signal, root, root * signal * u], axis=2)
    size = np.linalg.norm(columns, axis=1, keepdims=True)
    finite = np.isfinite(size).all(axis=2, keepdims=True)
    return np.asarray(np.linalg.qr(np.where(finite & (size > 0), columns / np.where(size > 0, size, 1.0), 0.0))[0])


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
