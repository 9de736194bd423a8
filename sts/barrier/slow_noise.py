"""Slow noise: how alike neighbouring residuals are, and what that does to the uncertainty of the decay."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from scipy.linalg import toeplitz

from sts.barrier.blocks import Array, Mask
from sts.barrier.exponential import Fitted, Samples
from sts.barrier.noise import PooledNoise

MOST_CORRELATED = 1.1  # times what pure 1/f noise leaves between neighbours: more is a misfit
MOST_MEMORY = 0.98  # correlation of neighbours beyond which the samples of a sweep are nearly one


def slow_correlation(signal: Array, residual: Array, variance: Array, usable: Array, gap: Array) -> tuple[Array, Array]:
    """Correlation of neighbouring residuals, and its spread for white noise: of the gap, and of all other noise.

    Parameters
    ----------
    signal, residual, variance, usable : ndarray, shape (m, n)
        Fitted tunnelling current [A], measured minus fitted [A], variance [A²], 1 or 0.
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


def slow_inflation(samples: Samples, fitted: Fitted, inverse: Array, noise: PooledNoise) -> tuple[Array, Mask]:
    """Variance of the decay with slow noise, relative to what white noise and the residuals' size say.

    Parameters
    ----------
    samples, fitted : Samples, Fitted
        Of m sweeps.
    inverse : ndarray, shape (m, 3, 3)
        Inverse normal matrix of the fit.
    noise : PooledNoise
        Of the m sweeps.

    Returns
    -------
    (ndarray, ndarray of bool), each shape (m,)
        The ratio (>= 1), and whether neighbours are more alike than 1/f noise leaves them: a misfit, not noise.

    Notes
    -----
    The gap noise is taken to have a 1/f spectrum in the share that its correlation shows: all of it, if as large as
    pure 1/f noise leaves it. Two things follow for such noise, both from its covariance: it moves the decay more
    than white noise of the same size, and the fit hides part of it, so that the residuals look too quiet. All other
    noise is taken to lose its memory exponentially, as behind a filter: with a correlation ρ of neighbours a smooth
    column sees (1 + ρ)/(1 - ρ) of its variance (M. S. Bartlett, J. R. Stat. Soc. 98, 536 (1935)).
    """
    products, variance, gap = fitted.products, fitted.variance, noise.terms[:, 2]
    correlation, other = noise.correlation, noise.memory
    inflation, misfit = np.ones(len(variance)), np.zeros(len(variance), bool)
    slow = np.flatnonzero((correlation > 0) | (other > 0))
    if slow.size:
        signal, weight, inverse = products.signal[slow], products.weight[slow], inverse[slow]
        covariance = _pink_covariance(variance.shape[1])
        share = _gap_share(signal, variance[slow], samples.usable[slow], gap[slow])
        basis = [weight * plain for plain in (signal, np.ones_like(signal), signal * samples.u)]
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
def _pink_covariance(n: int) -> Array:
    """Covariance (n, n) of noise with a 1/f spectrum and unit variance, without its mean over twice the length."""
    power = np.zeros(n + 1)
    power[1:] = 1 / np.arange(1, n + 1)
    row = np.fft.irfft(power, n=2 * n)[:n]
    covariance: Array = toeplitz(row / row[0])
    return covariance
