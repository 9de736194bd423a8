"""Is it one exponential? Score tests on the residuals of the fit: jumps, curvature, two slopes, slow noise.

Each test asks how much better the sweep would be fitted with one more column in the linearised model. That needs no
second fit, so it costs a few array operations for all sweeps at once.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

JUMP_SIGNIFICANCE = 5.5  # in standard deviations of the window means, robust against slow noise
JUMP_SIZE = 0.2  # smallest relative step that is called a jump
JUMP_WINDOWS = (1, 2, 6)  # samples averaged before and after
SHAPE_SIGNIFICANCE = 5.0
KNOTS = np.array([0.15, 0.25, 0.35, 0.45, 0.55, 0.65, 0.75])


@dataclass(frozen=True, eq=False)
class Shape:
    """What the residuals say of each sweep; all (m,). Places are on the scaled height u."""

    jump_factor: Array  # largest step of the current, 1 where there is none
    jump_at: Array
    curvature: Array  # relative change of the slope over the visible range
    curvature_t: Array
    hinge_at: Array  # where a broken line fits best
    hinge_t: Array
    slope_before: Array  # d ln I / du on both sides of the hinge (positive: decaying)
    slope_after: Array
    inflation: Array  # variance of the decay with the residuals' autocorrelation, relative to that without (>= 1)
    autocorrelation: Array  # of neighbouring residuals


def examine(
    u: Array, signal: Array, residual: Array, variance: Array, usable: Array, decay: Array, chi2: Array, floor: Array
) -> Shape:
    """Run the tests on one block of sweeps.

    Parameters
    ----------
    u : ndarray, shape (n,)
        Scaled height, 0 ... 1.
    signal, residual, variance : ndarray, shape (m, n)
        Fitted tunnelling current, residual [A], variance [A²].
    usable : ndarray, shape (m, n)
        1 or 0.
    decay, chi2, floor : ndarray, shape (m,)
        Decay per unit of u; reduced chi²; standard deviation of the noise without current [A].
    """
    weight = usable / variance
    columns = _Columns(weight, signal, u)
    factor, at = _jumps(u, signal, residual, weight)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        inflation, autocorrelation = _autocorrelation(columns, residual, usable, variance)
        noise = np.sqrt(np.maximum(chi2, 1e-300) * inflation)
        first = np.abs(signal[:, 0])
        visible = np.clip(np.log(np.maximum(first / np.maximum(floor, 1e-300), 1.0)) / np.abs(decay), 0.05, 1.0)
        bend, bend_t, _ = columns.add(signal * u**2, residual, noise)
        t, before, after = (np.zeros((len(KNOTS), len(decay))) for _ in range(3))
        for k, knot in enumerate(KNOTS):
            size, t[k], shift = columns.add(signal * np.maximum(u - knot, 0.0), residual, noise)
            before[k] = decay - shift
            after[k] = decay - shift - size
        best = np.argmax(np.nan_to_num(np.abs(t)), axis=0)
    row = np.arange(len(decay))
    return Shape(
        jump_factor=factor,
        jump_at=at,
        curvature=-2 * bend * visible / decay,
        curvature_t=bend_t,
        hinge_at=KNOTS[best],
        hinge_t=t[best, row],
        slope_before=before[best, row],
        slope_after=after[best, row],
        inflation=inflation,
        autocorrelation=autocorrelation,
    )


class _Columns:
    """The columns of the linearised model (S, 1, u S) with their weighted products."""

    def __init__(self, weight: Array, signal: Array, u: Array) -> None:
        self.weighted = (weight * signal, weight, weight * signal * u)
        plain = (signal, np.ones_like(signal), signal * u)
        gram = np.empty((len(signal), 3, 3))
        for i in range(3):
            for j in range(i, 3):
                gram[:, i, j] = gram[:, j, i] = np.vecdot(self.weighted[i], plain[j])
        size = np.sqrt(np.maximum(np.einsum("mii->mi", gram), 1e-300))
        scaled = gram / size[:, :, None] / size[:, None, :] + 1e-13 * np.eye(3)
        inverse = np.linalg.inv(np.where(np.isfinite(scaled), scaled, np.eye(3)))
        self.inverse = inverse / size[:, :, None] / size[:, None, :]
        self.plain = plain
        self.weight = weight

    def add(self, column: Array, residual: Array, noise: Array) -> tuple[Array, Array, Array]:
        """Coefficient of one more column, its t, and how it shifts the coefficient of u S."""
        weighted = self.weight * column
        cross = np.stack([np.vecdot(w, column) for w in self.weighted], axis=1)
        against = np.stack([np.vecdot(w, residual) for w in self.weighted], axis=1)
        load = np.einsum("mij,mj->mi", self.inverse, cross)
        information = np.vecdot(weighted, column) - np.vecdot(load, cross)
        score = np.vecdot(weighted, residual) - np.vecdot(load, against)
        size = score / information
        return size, score / np.sqrt(information) / noise, -load[:, 2] * size

    def influence(self) -> Array:
        """What each residual adds to the coefficient of u S, shape (m, n)."""
        row = self.inverse[:, 2]
        total: Array = sum(row[:, i, None] * self.weighted[i] for i in range(3))
        return total


def _jumps(u: Array, signal: Array, residual: Array, weight: Array) -> tuple[Array, Array]:
    """The largest significant step of ln I between neighbouring windows: factor (1: none) and place."""
    m, n = signal.shape
    zero = np.zeros((m, 1))
    product = np.concatenate([zero, np.cumsum(weight * signal * residual, axis=1)], axis=1)
    information = np.concatenate([zero, np.cumsum(weight * signal**2, axis=1)], axis=1)
    best, factor, at = np.zeros(m), np.ones(m), np.full(m, np.nan)
    row = np.arange(m)
    for window in JUMP_WINDOWS:
        if n < 4 * window:
            continue
        q = information[:, window:] - information[:, :-window]
        p = product[:, window:] - product[:, :-window]
        with np.errstate(divide="ignore", invalid="ignore"):
            level = p / q
            step = level[:, window:] - level[:, :-window]
            z = step / np.sqrt(1 / q[:, window:] + 1 / q[:, :-window])
        z = np.where(np.isfinite(z), z, 0.0)
        spread = np.maximum(1.0, 1.4826 * np.median(np.abs(z), axis=1))[:, None]
        with np.errstate(invalid="ignore"):
            ratio = (1 + level[:, window:]) / (1 + level[:, :-window])
            large = (np.abs(step) > JUMP_SIZE) & (level[:, :-window] > -1) & (level[:, window:] > -1)
        z = np.where(large, np.abs(z) / spread, 0.0)
        k = np.argmax(z, axis=1)
        better = (z[row, k] > JUMP_SIGNIFICANCE) & (z[row, k] > best)
        best = np.where(better, z[row, k], best)
        factor = np.where(better, ratio[row, k], factor)
        at = np.where(better, u[np.minimum(k + window, n - 1)], at)
    return factor, at


def _autocorrelation(columns: _Columns, residual: Array, usable: Array, variance: Array) -> tuple[Array, Array]:
    """How slow (1/f) noise widens the uncertainty of the decay: factor on its variance, and the lag-1 correlation.

    Newey & West (Econometrica 55, 703, 1987) sum the covariance of the contributions of the residuals to the decay over lags
    up to the square root of n with falling weights; only where neighbours are correlated beyond chance.
    """
    standard = residual * usable / np.sqrt(variance)
    n = usable.sum(axis=1)
    total = np.vecdot(standard, standard)
    first = np.vecdot(standard[:, 1:], standard[:, :-1]) / np.maximum(total, 1e-300)
    inflation = np.ones(len(residual))
    slow = np.flatnonzero(first * np.sqrt(np.maximum(n, 1.0)) > 3.0)
    if slow.size:
        part = columns.influence()[slow] * residual[slow]
        white = np.vecdot(part, part)
        lags = int(np.sqrt(residual.shape[1]))
        covariance = white.copy()
        for lag in range(1, lags + 1):
            covariance += 2 * (1 - lag / (lags + 1)) * np.vecdot(part[:, lag:], part[:, :-lag])
        ratio = covariance / np.maximum(white, 1e-300)
        persistent = (1 + first[slow]) / np.maximum(1 - first[slow], 0.05)  # the same for AR(1) residuals
        inflation[slow] = np.maximum(np.maximum(ratio, persistent), 1.0)
    return inflation, first
