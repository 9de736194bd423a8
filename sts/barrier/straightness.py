"""Is it one exponential? Score tests on the residuals of the fit: jumps, curvature, two slopes, slow noise.

Each test asks how much better the sweep would be fitted with one more column in the linearised model. That needs no
second fit, so it costs a few array operations for all sweeps at once.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import toeplitz

from sts.barrier.exponential import Products

Array = NDArray[np.float64]

JUMP_LOCAL = 4.8  # difference of neighbouring window means, in its standard deviations, that is a jump by itself
JUMP_LOCAL_WITH_SCORE, JUMP_SCORE = 3.7, 5.5  # or this much, where a step in the model is as significant as this
JUMP_ASK = 3.0  # significance of a step in the model from which a sweep is looked at more closely
JUMP_SIZE = 0.2  # smallest relative step that is called a jump
JUMP_WINDOWS = (1, 2, 6, 12)  # samples averaged before and after
MOST_CORRELATED = 1.1  # times what pure 1/f noise leaves between neighbours: more is a misfit
MOST_MEMORY = 0.98  # correlation of neighbours beyond which the samples of a sweep are nearly one
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
    inflation: Array  # variance of the decay with slow noise, relative to that with white noise (>= 1)


def examine(
    products: Products,
    variance: Array,
    usable: Array,
    *,
    inverse: Array,
    right: Array,
    decay: Array,
    chi2: Array,
    floor: Array,
    gap: Array,
    correlation: Array,
    other: Array,
) -> Shape:
    """Run the tests on one block of sweeps.

    Parameters
    ----------
    products : Products
        Of the fit.
    variance, usable : ndarray, shape (m, n)
        Variance [A²]; 1 or 0.
    inverse, right : ndarray, shapes (m, 3, 3) and (m, 3)
        Inverse normal matrix of the fit, and the products of its columns with the residual.
    decay, chi2, floor : ndarray, shape (m,)
        Decay per unit of u; reduced chi²; standard deviation of the noise without current [A].
    gap, correlation, other : ndarray, shape (m,)
        Relative variance of the gap noise, and the correlation of neighbours that is significant (0: none): of the gap
        noise, and of all other noise.
    """
    factor, at = _jumps(products, inverse)
    u, ws, wss, wsr = products.u, products.ws, products.wss, products.wsr
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        inflation, misfit = _inflation(products, inverse, variance, usable, gap, correlation, other)
        noise = np.sqrt(np.maximum(chi2, 1e-300) * np.where(misfit, 1.0, inflation))[:, None]
        first = np.abs(products.signal[:, 0])
        visible = np.clip(np.log(np.maximum(first / np.maximum(floor, 1e-300), 1.0)) / np.abs(decay), 0.05, 1.0)
        # One more column S f(u) each: u² for a curve, max(u - knot, 0) for a broken line.
        shapes = np.column_stack([u**2, *(np.maximum(u - knot, 0.0) for knot in KNOTS)])
        cross = np.stack([wss @ shapes, ws @ shapes, wss @ (u[:, None] * shapes)], axis=2)  # (m, k, 3)
        load = cross @ inverse
        information = wss @ shapes**2 - np.vecdot(load, cross)
        score = wsr @ shapes - np.vecdot(load, right[:, None, :])
        size, t = score / information, score / np.sqrt(information) / noise
        after = decay[:, None] - size + load[..., 2] * size
    best = 1 + np.argmax(np.nan_to_num(np.abs(t[:, 1:])), axis=1)
    row = np.arange(len(decay))
    return Shape(
        jump_factor=factor,
        jump_at=at,
        curvature=-2 * size[:, 0] * visible / decay,
        curvature_t=t[:, 0],
        hinge_at=KNOTS[best - 1],
        hinge_t=t[row, best],
        slope_before=(after + size)[row, best],
        slope_after=after[row, best],
        inflation=inflation,
    )


def _running(values: Array) -> Array:
    """Sums of the samples before each place, shape (m, n + 1)."""
    total = np.zeros((len(values), values.shape[1] + 1))
    np.cumsum(values, axis=1, out=total[:, 1:])
    return total


def _step_score(products: Products, inverse: Array, product: Array, information: Array) -> Array:
    """|t| of a step of ln I at each place, the model's parameters free, shape (m, n + 1).

    `product` and `information` are the running sums of w S r and w S².
    """
    c0, c1, c2 = (
        total[:, -1:] - total for total in (information, _running(products.ws), _running(products.wss * products.u))
    )
    a, b, c, d, e, f = (inverse[:, i, j, None] for i, j in ((0, 0), (0, 1), (0, 2), (1, 1), (1, 2), (2, 2)))
    left = c0 - c0 * (a * c0 + 2 * b * c1 + 2 * c * c2) - c1 * (d * c1 + 2 * e * c2) - f * c2 * c2
    with np.errstate(divide="ignore", invalid="ignore"):
        t = (product[:, -1:] - product) / np.sqrt(left)
    return np.where(np.isfinite(t) & (left > 1e-9 * c0), np.abs(t), 0.0)


def _jumps(products: Products, inverse: Array) -> tuple[Array, Array]:
    """The largest significant step of ln I: factor (1: none) and place.

    Two questions are asked of every place. Would a step there fit better (score test with the model's parameters free,
    the most powerful one, but it also answers to curvature and slow noise)? And do the means of a few samples just
    before and after differ (weaker, but blind to all that is slow)? A jump needs both, or the second very clearly.
    """
    m, n = products.signal.shape
    factor, at = np.ones(m), np.full(m, np.nan)
    product, information = _running(products.wsr), _running(products.wss)
    score = _step_score(products, inverse, product, information)
    # Most sweeps answer no to the first question everywhere; only the others are asked the second.
    rows = np.flatnonzero(score.max(axis=1) > JUMP_ASK)
    product, information, score, u = product[rows], information[rows], score[rows], products.u
    best, row = np.zeros(len(rows)), np.arange(len(rows))
    for window in JUMP_WINDOWS:
        if n < 4 * window or not rows.size:
            continue
        q = information[:, window:] - information[:, :-window]
        p = product[:, window:] - product[:, :-window]
        with np.errstate(divide="ignore", invalid="ignore"):
            level = p / q
            step = level[:, window:] - level[:, :-window]
            z = step / np.sqrt(1 / q[:, window:] + 1 / q[:, :-window])
            z = np.where(np.isfinite(z), z, 0.0)
            spread = np.maximum(1.0, 1.4826 * np.median(np.abs(z), axis=1))[:, None]
            local = np.abs(z) / spread
            ratio = (1 + level[:, window:]) / (1 + level[:, :-window])
            large = (np.abs(step) > JUMP_SIZE) & (level[:, :-window] > -1) & (level[:, window:] > -1)
        there = score[:, window : window + local.shape[1]]
        sure = (local > JUMP_LOCAL) | ((local > JUMP_LOCAL_WITH_SCORE) & (there > JUMP_SCORE))
        local = np.where(large & sure, local, 0.0)
        k = np.argmax(local, axis=1)
        better = local[row, k] > best
        best = np.where(better, local[row, k], best)
        factor[rows] = np.where(better, ratio[row, k], factor[rows])
        at[rows] = np.where(better, u[np.minimum(k + window, n - 1)], at[rows])
    return factor, at


def slow_correlation(signal: Array, residual: Array, variance: Array, usable: Array, gap: Array) -> tuple[Array, Array]:
    """Correlation of neighbouring residuals, and its spread for white noise: of the gap, and of all other noise.

    Parameters
    ----------
    signal, residual, variance, usable : ndarray, shape (m, n)
        As for `examine`.
    gap : ndarray, shape (m,)
        Relative variance η² of the gap noise.

    Returns
    -------
    (ndarray, ndarray), shape (2, m)
    """
    of_gap = _gap_share(signal, variance, usable, gap)
    both = [_correlation(residual * usable / np.sqrt(variance), share) for share in (of_gap, usable - of_gap)]
    correlation, spread = (np.stack(part) for part in zip(*both, strict=True))
    return correlation, spread


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


def _gap_share(signal: Array, variance: Array, usable: Array, gap: Array) -> Array:
    """Share of the gap in the noise of each sample, 0 to 1."""
    return np.asarray(usable * gap[:, None] * signal**2 / variance)


def _inflation(
    products: Products, inverse: Array, variance: Array, usable: Array, gap: Array, correlation: Array, other: Array
) -> tuple[Array, NDArray[np.bool_]]:
    """Variance of the decay with slow noise, relative to what white noise and the residuals' size say.

    The gap noise is taken to have a 1/f spectrum in the share that `correlation` (m,) shows: all of it, if as large as
    pure 1/f noise leaves it. Two things follow for such noise, both from its covariance: it moves the decay more
    than white noise of the same size, and the fit hides part of it, so that the residuals look too quiet. All other noise
    is taken to lose its memory exponentially, as behind a filter: with a correlation ρ of neighbours a smooth column sees
    (1 + ρ)/(1 - ρ) of its variance (M. S. Bartlett, J. R. Stat. Soc. 98, 536 (1935)). Also
    returned: whether neighbours are more alike than 1/f noise leaves them, (m,): a misfit, not noise.
    """
    inflation, misfit = np.ones(len(variance)), np.zeros(len(variance), bool)
    slow = np.flatnonzero((correlation > 0) | (other > 0))
    if slow.size:
        signal, weight, inverse = products.signal[slow], products.weight[slow], inverse[slow]
        covariance = pink_covariance(variance.shape[1])
        share = _gap_share(signal, variance[slow], usable[slow], gap[slow])
        basis = [weight * plain for plain in (signal, np.ones_like(signal), signal * products.u)]
        noisy = [b * np.sqrt(gap[slow])[:, None] * signal for b in basis]
        spread = [b @ covariance for b in noisy]
        pink = np.stack([[np.vecdot(s, b) for b in noisy] for s in spread])
        white = np.stack([[np.vecdot(a, b) for b in noisy] for a in noisy])
        rest = np.stack([[np.vecdot(a * (variance[slow] * (1 - share)), b) for b in basis] for a in basis])
        of_decay = inverse[:, 2]

        def moved(q: Array) -> Array:
            return np.asarray(np.einsum("mi,ijm,mj->m", of_decay, q, of_decay))

        left, left_white = (share.sum(axis=1) - np.einsum("mij,ijm->m", inverse, q) for q in (pink, white))
        hidden = np.clip(left / left_white, 0.05, 1.0)
        expected = (covariance[0, 1] - (1 - hidden)) / hidden
        expected *= np.vecdot(share[:, 1:], share[:, :-1]) / np.vecdot(share, np.sqrt(share))
        part = correlation[slow] / np.clip(expected, 0.05, None)
        misfit[slow] = (part > MOST_CORRELATED) & (correlation[slow] > 0)
        part = np.clip(part, 0.0, 1.0)
        memory = np.clip(other[slow], 0.0, MOST_MEMORY)
        of_gap = part * np.maximum(moved(pink) / hidden - moved(white), 0.0)
        of_rest = (2 * memory / (1 - memory)) * moved(rest)
        inflation[slow] = 1 + (of_gap + of_rest) / (moved(white) + moved(rest))
    return inflation, misfit


@lru_cache(maxsize=8)
def pink_covariance(n: int) -> Array:
    """Covariance (n, n) of noise with a 1/f spectrum and unit variance, without its mean over twice the length."""
    power = np.zeros(n + 1)
    power[1:] = 1 / np.arange(1, n + 1)
    row = np.fft.irfft(power, n=2 * n)[:n]
    covariance: Array = toeplitz(row / row[0])
    return covariance
