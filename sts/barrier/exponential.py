"""I = A exp(-κ' z) + offset, for many sweeps at once: the engine behind the barrier heights.

Gauss-Newton for all sweeps of a block side by side. Everything a step, a test or another window needs is a sum over the
samples of one of five products (weight, signal and residual) times a power of the height, so that each block costs one
exponential, a dozen array operations and a few matrix products. The weights come from the fitted curve, never from the
noisy points: those bias every barrier low by the same amount, which averaging does not remove.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from sts.barrier.blocks import Array, Mask, take

Variance = Callable[[Array, Any], Array]  # variance (k, n) of a tunnelling current (k, n) of the rows (k,) meant

PARAMETERS = 3
GRID = np.geomspace(0.05, 300.0, 64)  # decays tried at the start, in units of 1/(range of heights)
TRIAL_POINTS = 128  # points of a sweep that the start looks at
MOST_STEPS = 25  # of Gauss-Newton; a sweep that follows the model needs 3 to 6
LOWEST, HIGHEST = -20.0, 700.0  # decays allowed: a current that grows is fitted, to be flagged


@dataclass(frozen=True, eq=False)
class Samples:
    """What a block of m sweeps is fitted to."""

    u: Array  # (n,) height scaled to 0 ... 1
    current: Array  # (m, n) finite everywhere (masked samples may hold anything finite)
    usable: Array  # (m, n) 1, or 0 where masked
    expected: Array | None = (
        None  # (m, 2) offset [A] that is known beforehand, and 1/variance of that [1/A²]; 0: not known
    )

    @cached_property
    def points(self) -> Array:
        """Number of usable samples of each sweep, shape (m,)."""
        return np.asarray(self.usable.sum(axis=1))

    def rows(self, rows: Any) -> Samples:
        """Those of some sweeps."""
        expected = None if self.expected is None else self.expected[rows]
        return Samples(self.u, self.current[rows], self.usable[rows], expected)

    def equations(self, curve: Exponential, products: Products, windows: Array) -> tuple[Array, Array]:
        """Normal equations over parts of the range (`Products.normal`), with what is known of the offset.

        Parameters
        ----------
        curve, products : Exponential, Products
            Where the m sweeps stand.
        windows : ndarray, shape (n, k)
        """
        return self.expecting(curve, *products.normal(self.u, windows))

    def expecting(self, curve: Exponential, matrix: Array, right: Array) -> tuple[Array, Array]:
        """Normal equations of the samples alone, with what is known of the offset.

        Parameters
        ----------
        curve : Exponential
            Where the m sweeps stand.
        matrix, right : ndarray, shapes (m, k, 3, 3) and (m, k, 3)
            Of `Products.normal`; left as they are.
        """
        if self.expected is None:
            return matrix, right
        value, weight = self.expected.T
        matrix, right = matrix.copy(), right.copy()
        matrix[..., 1, 1] += weight[:, None]
        right[..., 1] += (weight * (value - curve.offset))[:, None]
        return matrix, right


@dataclass(frozen=True, eq=False)
class Exponential:
    """Parameters of m sweeps on the scaled height u = (z - z0)/range; `good` marks fits that converged."""

    amplitude: Array  # (m,) current at u = 0
    decay: Array  # (m,) per unit of u
    offset: Array  # (m,)
    good: Mask  # (m,)

    def signal(self, u: Array) -> Array:
        """A exp(-decay u), shape (m, n): the tunnelling current without the offset.

        Parameters
        ----------
        u : ndarray, shape (n,)
            Scaled height.
        """
        exponent = np.multiply(-self.decay[:, None], u)
        np.exp(exponent, out=exponent)
        exponent *= self.amplitude[:, None]
        return exponent


@dataclass(frozen=True, eq=False)
class Products:
    """The five products whose sums make up the normal equations of the model's columns S, 1 and u S; all (m, n)."""

    weight: Array
    signal: Array
    residual: Array
    ws: Array
    wss: Array
    wr: Array
    wsr: Array

    @classmethod
    def of(cls, weight: Array, signal: Array, residual: Array) -> Products:
        """From the weights 1/σ² [1/A²], the fitted tunnelling current [A] and measured minus fitted [A].

        Parameters
        ----------
        weight, signal, residual : ndarray, shape (m, n)
        """
        ws = weight * signal
        return cls(weight, signal, residual, ws, ws * signal, weight * residual, ws * residual)

    def normal(self, u: Array, windows: Array) -> tuple[Array, Array]:
        """Normal equations over parts of the range.

        Parameters
        ----------
        u : ndarray, shape (n,)
            Scaled height.
        windows : ndarray, shape (n, k)
            1 for the samples of each window, else 0.

        Returns
        -------
        (ndarray, ndarray)
            Matrix (m, k, 3, 3) of the columns S, 1, u S, and their products with the residual (m, k, 3).
        """
        u = u[:, None]
        k = windows.shape[1]
        first = np.concatenate([windows, u * windows], axis=1)
        second = np.concatenate([first, u * u * windows], axis=1)
        matrix = np.empty((len(self.ws), k, 3, 3))
        right = np.empty((len(self.ws), k, 3))
        wss, ws, wsr = self.wss @ second, self.ws @ first, self.wsr @ first
        matrix[..., 0, 0], matrix[..., 0, 2], matrix[..., 2, 2] = wss[:, :k], wss[:, k : 2 * k], wss[:, 2 * k :]
        matrix[..., 0, 1], matrix[..., 1, 2], matrix[..., 1, 1] = ws[:, :k], ws[:, k:], self.weight @ windows
        matrix[..., 1, 0], matrix[..., 2, 0], matrix[..., 2, 1] = (
            matrix[..., i, j] for i, j in ((0, 1), (0, 2), (1, 2))
        )
        right[..., 0], right[..., 1], right[..., 2] = wsr[:, :k], self.wr @ windows, wsr[:, k:]
        return matrix, right


@dataclass(frozen=True, eq=False)
class Fitted:
    """Where the fit of a block ended."""

    curve: Exponential
    products: Products
    variance: Array  # (m, n) of the samples [A²]


@dataclass(frozen=True, eq=False)
class Step:
    """Least-squares change of the parameters, and the information of the decay; any shape."""

    amplitude: Array  # relative
    offset: Array
    decay: Array
    information: Array  # of the decay, with amplitude and offset free


def solve(matrix: Array, right: Array) -> Step:
    """The step that the normal equations ask for; not finite where they are singular.

    Parameters
    ----------
    matrix, right : ndarray, shapes (..., 3, 3) and (..., 3)
        As `Products.normal` gives them.

    Notes
    -----
    Variable projection (L. Kaufman, BIT 15, 49 (1975)): amplitude and offset are solved for, and the decay moves by
    what is left of its column, at the amplitude just found.
    """
    ss, s1, su = matrix[..., 0, 0], matrix[..., 0, 1], matrix[..., 0, 2]
    one, u1, uu = matrix[..., 1, 1], matrix[..., 1, 2], matrix[..., 2, 2]
    rs, r1, ru = right[..., 0], right[..., 1], right[..., 2]
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        determinant = ss * one - s1 * s1
        p, q = (one * su - s1 * u1) / determinant, (ss * u1 - s1 * su) / determinant
        information = uu - p * su - q * u1
        change = (ru - p * rs - q * r1) / information
        amplitude, offset = (one * rs - s1 * r1) / determinant, (ss * r1 - s1 * rs) / determinant
        return Step(amplitude - p * change, offset - q * change, -change / (1 + amplitude), information)


def inverse(matrix: Array) -> Array:
    """Inverse of normal matrices, scaled so that units do not matter; singular ones give large numbers.

    Parameters
    ----------
    matrix : ndarray, shape (m, 3, 3)
    """
    size = np.sqrt(np.maximum(np.einsum("mii->mi", matrix), 1e-300))
    scaled = matrix / size[:, :, None] / size[:, None, :] + 1e-15 * np.eye(3)
    found = np.linalg.inv(np.where(np.isfinite(scaled), scaled, np.eye(3)))
    with np.errstate(over="ignore"):  # a sweep of zeros
        return np.asarray(found / size[:, :, None] / size[:, None, :])


def start(samples: Samples) -> Exponential:
    """First guess by trying a range of decays with the linear parameters solved for.

    Parameters
    ----------
    samples : Samples
        Of m sweeps; those with fewer than `PARAMETERS` + 2 usable samples are not `good`.

    Notes
    -----
    Unweighted sums over at most `TRIAL_POINTS` samples are one matrix product for all decays and sweeps. A parabola
    through the best decay of the grid and its neighbours leaves one or two percent to Gauss-Newton.
    """
    stride = max(1, samples.u.size // TRIAL_POINTS)
    u, current, weight = samples.u[::stride], samples.current[:, ::stride], samples.usable[:, ::stride]
    known = np.zeros((len(current), 2)) if samples.expected is None else samples.expected
    fixed = known[:, 1:] > 0  # a free offset may be anywhere
    current = current - np.where(fixed, known[:, :1], 0.0)
    e = np.exp(-np.outer(GRID, u))  # (g, n)
    weighted = weight * current
    s1, si, sii = weight.sum(axis=1)[:, None], weighted.sum(axis=1)[:, None], np.vecdot(weighted, current)[:, None]
    se, see, sei = weight @ e.T, weight @ (e * e).T, weighted @ e.T  # (m, g)
    with np.errstate(divide="ignore", invalid="ignore"):
        determinant = see * s1 - se * se
        amplitude = np.where(fixed, sei / see, (s1 * sei - se * si) / determinant)
        offset = np.where(fixed, 0.0, (see * si - se * sei) / determinant)
        misfit = sii - amplitude * sei - offset * si
        misfit = np.where(np.isfinite(misfit) & (determinant > 1e-12 * see * s1), misfit, np.inf)
    best = np.argmin(misfit, axis=1)
    row = np.arange(len(best))
    middle = np.clip(best, 1, GRID.size - 2)
    before, here, after = (misfit[row, middle + k] for k in (-1, 0, 1))
    with np.errstate(divide="ignore", invalid="ignore"):
        shift = 0.5 * (before - after) / (before - 2 * here + after)
    shift = np.where((best == middle) & (np.abs(shift) < 1), shift, 0.0)
    decay = GRID[best] * (GRID[1] / GRID[0]) ** shift
    good = np.isfinite(misfit[row, best]) & (samples.points > PARAMETERS + 1)
    return Exponential(amplitude[row, best], decay, offset[row, best] + np.where(fixed[:, 0], known[:, 0], 0.0), good)


def fit(first: Exponential, samples: Samples, variance: Variance) -> Fitted:
    """Gauss-Newton until every sweep stands still, with the weights following the curve.

    Parameters
    ----------
    first : Exponential
        Where to start.
    samples : Samples
        Of m sweeps.
    variance : callable
        Variance (k, n) from the fitted tunnelling current (k, n) and the rows (k,) of the sweeps meant.
    """
    present = Exponential(first.amplitude.copy(), first.decay.copy(), first.offset.copy(), first.good.copy())
    settled = np.zeros(len(samples.current), bool)
    whole = np.ones((samples.u.size, 1))
    rows: Any = slice(None)  # sweeps still moving
    for _ in range(MOST_STEPS):
        part = take(present, rows)
        products = evaluated(part, samples.rows(rows), variance, rows).products
        step = solve(*(sums[:, 0] for sums in samples.rows(rows).equations(part, products, whole)))
        good = part.good & np.isfinite(step.decay) & (step.information > 0)
        moved = _move(part, step, good)
        for name in ("amplitude", "decay", "offset"):
            getattr(present, name)[rows] = getattr(moved, name)
        present.good[rows] = good
        # Settled to a tenth of the standard error, which is enough to count, or to a thousandth, or to rounding.
        size = step.decay**2 * step.information
        settled[rows] = (size < 1e-2) | (np.abs(step.decay) < 1e-9 * np.abs(moved.decay))
        moving = good & ~((size < 1e-6) | (np.abs(step.decay) < 1e-11 * np.abs(moved.decay)))
        if not moving.any():
            break
        if moving.mean() < 0.5:
            rows = np.arange(len(settled))[rows][moving]
    present = Exponential(present.amplitude, present.decay, present.offset, present.good & settled)
    return evaluated(present, samples, variance)


def evaluated(curve: Exponential, samples: Samples, variance: Variance, rows: Any = slice(None)) -> Fitted:
    """Residuals, weights and products at a curve, without a step.

    Parameters
    ----------
    curve, samples : Exponential, Samples
        Of k sweeps.
    variance : callable
        As for `fit`.
    rows : index
        What these sweeps are called when the variance is asked for.
    """
    signal = curve.signal(samples.u)
    spread = variance(signal, rows)
    residual = samples.current - signal
    residual -= curve.offset[:, None]
    return Fitted(curve, Products.of(samples.usable / spread, signal, residual), spread)


def _move(fit: Exponential, step: Step, where: Mask) -> Exponential:
    """The fit after a step; the decay moves by no more than half of itself at a time."""
    limit = 0.5 * np.abs(fit.decay) + 0.05
    decay = np.clip(fit.decay + np.clip(step.decay, -limit, limit), LOWEST, HIGHEST)
    return Exponential(
        np.where(where, fit.amplitude * (1 + step.amplitude), fit.amplitude),
        np.where(where, decay, fit.decay),
        np.where(where, fit.offset + step.offset, fit.offset),
        fit.good,
    )


def scaled_height(height: Any) -> tuple[Array, float]:
    """Height scaled to 0 ... 1 and its range [m].

    Parameters
    ----------
    height : array_like, shape (n,)
        Ascending [m].
    """
    height = np.asarray(height, float)
    span = float(height[-1] - height[0])
    return (height - height[0]) / span, span
