"""Slow noise: the covariance of the residuals of a tip's sweeps, and what it does to the uncertainty of the decay.

A current is disturbed in two ways: relative to its size, by the gap, and regardless of it, by all else. Either disturbance is
taken to be stationary along the ramp, and its autocovariance to be a sum of pieces that are none of them negative: white
noise, memories that fade over a few to a quarter of all samples, and a line of one period. The weights of the pieces are found
from how alike residuals are at every distance, over all sweeps that share their noise, with what the fit hides allowed for.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
from scipy.linalg import toeplitz
from scipy.ndimage import median_filter
from scipy.optimize import brentq, nnls
from scipy.special import polygamma

from sts.barrier.blocks import Array, take
from sts.barrier.exponential import Fitted, Samples, inverse
from sts.barrier.noise import PooledNoise

MEMORIES = 5  # lengths of memory tried, from `SHORTEST` samples to a quarter of the sweep
SHORTEST = 1.5
ALIKE = 0.7  # prior spread of the ratio of neighbouring memories: equal ones add up to 1/f noise
MOST_SWEEPS = 120  # of a group that its covariance is found from
SHOWN = 4  # sweeps that stand for the others where the effect of the fit is worked out
LEAST_GAP = 0.005  # relative noise of the gap that is looked for at least
LINE = 4.0  # times the power around it: a line of one period
FEWEST_FOR_MEAN = 5  # sweeps from which a shape that they all share is told from noise
STRANGE = 4.0  # times the usual squared residual: such a sweep does not say what noise is
MODES = 2.0  # slow movements that each sweep shows, for the degrees of freedom of their size


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
    band = [(1, max(2, residual.shape[1] // 16 + 1))]
    pairs, total = _seen(usable, band)[:, 0], np.vecdot(residual, residual)
    count = np.vecdot(usable, usable)
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = _seen(residual, band)[:, 0] / pairs / (total / count)
        real = (total > 1e-6 * count) & np.isfinite(mean)
        return np.where(real, mean, 0.0), np.where(pairs > 0, 1 / np.sqrt(pairs), np.inf)


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

    def columns(self, row: int) -> Array:
        """The model's columns of one sweep, shape (n, 3)."""
        return np.stack([self.amplitude[row], self.offset[row], self.decay[row]], axis=1)


@dataclass(frozen=True, eq=False)
class Covariance:
    """How the noise of one group of sweeps goes on along the ramp."""

    relative: Array  # (n,) autocovariance of the relative noise, in units of its size in the noise terms
    additive: Array  # (n,) of all other noise
    dof: float  # degrees of freedom that the squared residuals of one sweep have
    alike: float  # degrees of freedom by which the sweeps' noise is known to be that of the group
    sweeps: int  # it was found from

    def ratio(self, white: Whitened, of_parameters: Array) -> Array:
        """Squared residuals of each of k sweeps over what this noise, after the fit, leaves on average, shape (k,).

        Parameters
        ----------
        white : Whitened
        of_parameters : ndarray, shape (k, 3, 3)
            Inverse of the normal matrix.
        """
        left = np.zeros(len(of_parameters))
        for row, size in ((self.relative, white.relative), (self.additive, white.additive)):
            sized = [column * size for column in (white.amplitude, white.offset, white.decay)]
            spread = [one @ toeplitz(row) for one in sized]
            hidden = np.array([[np.vecdot(s, o) for o in sized] for s in spread])
            left += row[0] * np.vecdot(size, size) - np.einsum("kij,ijk->k", of_parameters, hidden)
        least = 0.05 * np.sum(white.offset > 0, axis=1)
        return np.asarray(np.vecdot(white.residual, white.residual) / np.maximum(left, np.maximum(least, 1.0)))

    def uncertainty(self, white: Whitened, of_parameters: Array, number: int = 2) -> tuple[Array, Array]:
        """Variance of the decay (or another parameter) of k sweeps, and its degrees of freedom; (k,) each.

        Parameters
        ----------
        white, of_parameters
            As for `ratio`; where there is a prior, the normal matrix has it.
        number : int
            Another parameter: 0 the amplitude, 1 the offset.

        Notes
        -----
        The variance that the covariance gives times that of the sweep's own noise over the group's, each weighted with its
        degrees of freedom (G. K. Smyth, as in `_alike`): a noisy sweep is given more, by as much as sweeps of this tip are
        known to differ.
        """
        weights = np.einsum(
            "kj,jkn->kn",
            of_parameters[:, number],
            np.stack([white.amplitude, white.offset, white.decay]),
            optimize=True,
        )
        dof = self.dof + self.alike
        own = (
            np.ones(len(weights)) if np.isinf(dof) else (self.alike + self.dof * self.ratio(white, of_parameters)) / dof
        )
        return own * self.of(white, weights), np.full(len(weights), 1 / (1 / dof + 1 / (MODES * self.sweeps)))

    def matrix(self, white: Whitened, row: int) -> Array:
        """Covariance (n, n) of the standardised samples of one sweep."""
        return _spread(self.relative, white.relative[row]) + _spread(self.additive, white.additive[row])

    def of(self, white: Whitened, weights: Array) -> Array:
        """Variance of sums of the standardised samples with these weights (k, n), shape (k,)."""
        total = np.zeros(len(weights))
        for row, size in ((self.relative, white.relative), (self.additive, white.additive)):
            part = weights * size
            total += np.vecdot(part @ toeplitz(row), part)
        return total


def find_covariance(white: Whitened) -> Covariance:
    """The covariance of the noise of one group.

    Parameters
    ----------
    white : Whitened
        Of its sweeps.

    Notes
    -----
    Quadratic forms of the residuals (products at a distance, in bands, weighted once to where the gap rules and once to where it
    does not) are linear in the weights of the pieces, with coefficients tr(M C M B), where M takes the fitted parameters out:
    C. R. Rao, J. Multivariate Anal. 1, 257 (1971), here by non-negative least squares. Neighbouring memories are drawn together,
    since equal ones add up to the 1/f spectrum that gaps usually have (F. N. Hooge et al., Rep. Prog. Phys. 44, 479 (1981), from
    memory): what the fit hides at long times is then told by what is seen at shorter ones.
    """
    size = np.vecdot(white.residual, white.residual) / np.maximum((white.offset > 0).sum(axis=1), 1)
    usual = np.flatnonzero(size <= STRANGE * np.median(size))
    chosen = usual[np.unique(np.linspace(0, usual.size - 1, MOST_SWEEPS).round().astype(int))]
    residual = white.residual[chosen]
    m, n = residual.shape
    if m >= FEWEST_FOR_MEAN:  # what all sweeps share is no noise
        there = (white.offset[chosen] > 0).sum(axis=0)
        residual = (residual - residual.sum(axis=0) / np.maximum(there, 1)) * np.sqrt(m / (m - 1))
        residual = np.where(white.offset[chosen] > 0, residual, 0.0)
    signal = white.relative[chosen] ** 2
    usable = (white.offset[chosen] > 0).astype(float)
    middle = np.sqrt(np.max(signal, axis=1) * np.min(np.where(usable > 0, signal, np.inf), axis=1))[:, None]
    near = usable * np.sqrt(signal / (signal + middle + 1e-300))  # a signal may have sunk to 0
    looks = (near, np.sqrt(np.maximum(usable - near**2, 0.0)))
    pieces = [_memories(n), [*_memories(n), *_line(residual, n)]]
    bands = _bands(n)
    each = np.concatenate([_seen(residual * look, bands) for look in looks], axis=1)
    paired = np.tile(
        _seen(usable, bands).sum(axis=0) > 0.5, 2
    )  # else what is seen of a band is rounding, of either sign
    spread = np.sqrt(np.maximum(np.concatenate([_seen(look**2, bands).sum(axis=0) for look in looks]), 0.0))
    if m > 3:
        spread = np.maximum(spread, each.std(axis=0, ddof=1) * np.sqrt(m))
    shown = np.unique(np.linspace(0, m - 1, SHOWN).round().astype(int))
    expected = (
        sum(_expected(white, chosen[i], [look[i] for look in looks], pieces, bands) for i in shown) * m / len(shown)
    )
    scale = paired / (spread + 1e-12)
    weights = _solve(expected * scale[:, None], each.sum(axis=0) * scale, [len(p) for p in pieces])
    relative, additive = (
        np.sum([w * piece for w, piece in zip(part, kind, strict=True)], axis=0)
        for part, kind in zip(np.split(weights, [len(pieces[0])]), pieces, strict=True)
    )
    found = Covariance(relative, additive, np.nan, np.inf, m)
    left = [_left(found.matrix(white, row), np.linalg.qr(white.columns(row))[0]) for row in chosen[shown]]
    dof = float(np.mean([np.trace(part) ** 2 / np.sum(part * part) for part in left]))
    some = white.rows(chosen)
    return replace(found, dof=dof, alike=_alike(found.ratio(some, some.inverse()), dof))


def _alike(ratio: Array, dof: float) -> float:
    """Prior degrees of freedom of variances with these ratios to the expected (k,), each with `dof` degrees of freedom.

    By moments of their logarithms: G. K. Smyth, Stat. Appl. Genet. Mol. Biol. 3, 3 (2004), section 6.2.
    """
    if len(ratio) < 3:
        return np.inf
    excess = float(np.var(np.log(np.maximum(ratio, 1e-12)), ddof=1) - polygamma(1, dof / 2))
    if excess < 1e-4:  # twice the inverse of the trigamma function is beyond 10,000 then
        return np.inf
    return 2 * float(brentq(lambda half: polygamma(1, half) - excess, 1e-3, 1e6))


def _spread(row: Array, size: Array) -> Array:
    return np.asarray(toeplitz(row) * size[:, None] * size[None, :])


def _memories(n: int) -> list[Array]:
    """Autocovariances of white noise and of memories that fade exponentially, each (n,)."""
    distance = np.arange(n)
    lengths = np.geomspace(SHORTEST, max(n / 4, 2 * SHORTEST), MEMORIES)
    return [(distance == 0).astype(float), *(np.exp(-distance / length) for length in lengths)]


def _line(residual: Array, n: int) -> list[Array]:
    """Autocovariance of the one period that stands out of the spectrum, if any does."""
    power = np.mean(np.abs(np.fft.rfft(residual, n=4 * n, axis=1)) ** 2, axis=0)
    around = median_filter(power, size=101, mode="nearest")
    clear = (power > LINE * around) & (np.arange(power.size) > 20)  # at least five periods in the sweep
    if not clear.any():
        return []
    best = np.argmax(np.where(clear, power / np.maximum(around, 1e-300), 0.0))
    return [np.cos(2 * np.pi * np.arange(n) * best / (4 * n))]


def _bands(n: int) -> list[tuple[int, int]]:
    """Distances that are looked at together: 0, 1, 2, 3 to 4, 5 to 8 ... to half of the sweep."""
    bands, last = [(0, 1), (1, 2)], 2
    while last < n // 2:
        bands.append((last, min(2 * last - 1 if last > 2 else 3, n // 2)))
        last = bands[-1][1]
    return bands


def _seen(values: Array, bands: list[tuple[int, int]]) -> Array:
    """Sums of products of each row with itself at the distances of each band, shape (m, bands)."""
    size = 2 * values.shape[1]
    power = np.abs(np.fft.rfft(values, n=size, axis=1)) ** 2
    products = np.fft.irfft(power, n=size, axis=1)
    return np.stack([products[:, first:last].sum(axis=1) for first, last in bands], axis=1)


def _left(covariance: Array, q: Array) -> Array:
    """What a fit of columns with this orthonormal base (n, 3) leaves of a covariance (n, n): M C M."""
    across = q.T @ covariance
    return np.asarray(covariance - q @ across - across.T @ q.T + q @ (across @ q) @ q.T)


def _expected(
    white: Whitened, row: int, looks: list[Array], pieces: list[list[Array]], bands: list[tuple[int, int]]
) -> Array:
    """What one sweep shows in each look and band for each piece with weight 1, shape (2 bands, pieces)."""
    base, found = np.linalg.qr(white.columns(row))[0], []
    for kind, size in zip(pieces, (white.relative[row], white.additive[row]), strict=True):
        for piece in kind:
            left = _left(_spread(piece, size), base)
            seen = []
            for look in looks:
                by_distance = _diagonals(left * look[:, None] * look[None, :], bands[-1][1])
                seen += [by_distance[first:last].sum() for first, last in bands]
            found.append(seen)
    return np.array(found).T


def _diagonals(matrix: Array, count: int) -> Array:
    """Sums of the main diagonal of a matrix (n, n) and of those above it, (count,)."""
    n, flat = len(matrix), matrix.ravel()
    return np.array([np.add.reduce(flat[k : (n - k) * n : n + 1]) for k in range(count)])  # half the time of np.trace


def _solve(matrix: Array, right: Array, counts: list[int]) -> Array:
    """Weights of the pieces, none negative; those of neighbouring memories drawn together."""
    weights = np.asarray(nnls(matrix, right)[0])
    for _ in range(2):
        rows = []
        for first in (0, counts[0]):
            memories = first + 1 + np.arange(MEMORIES)
            size = ALIKE * max(weights[memories].mean(), 0.01)
            for one, next_ in pairwise(memories):
                rows.append(np.zeros(sum(counts)))
                rows[-1][[one, next_]] = 1 / size, -1 / size
        weights = np.asarray(nnls(np.vstack([matrix, rows]), np.concatenate([right, np.zeros(len(rows))]))[0])
    return weights
