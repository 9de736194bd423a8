"""What dI/dV scatters by at the scale of a peak, from units or from the curve of one or two repeats, and how well that is known."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d, uniform_filter1d

from sts.curves.distributions import student_quantile
from sts.quantities import MAD_SCALE

Array = NDArray[np.float64]

CHANCE = 2e-5  # that one independent point passes by noise, at which few degrees of freedom raise the threshold
_CLIP = 3.0  # standard deviations: what differs more is structure; it counts as this much at first, and is left out in the end
_WITHIN = 0.9733  # variance of a normal distribution within three standard deviations
_ROUNDS = 4
_APART = 1.5  # energy widths between points that are independent


def error_of_units(each: Array, width_points: float) -> tuple[Array, float]:
    """Standard error of the mean (n,) of three or more units (m, n), pooled over a quarter of the axis, and its degrees of freedom.

    Parameters
    ----------
    each : numpy.ndarray, shape (m, n)
    width_points : float
        Energy width in points: neighbours within it are tied together.
    """
    m, n = each.shape
    window = max(n // 4, 3)
    pooled = uniform_filter1d(each.var(axis=0, ddof=1), window, mode="nearest")
    return np.sqrt(pooled / m), (m - 1) * max(window / (_APART * max(width_points, 1.0)), 1.0)


def error_of_curve(bias: Array, mean: Array, drawn: Array, width_points: float) -> tuple[Array, float]:
    """Standard error (n,) of a curve of one or two repeats, and its degrees of freedom.

    Parameters
    ----------
    bias, mean : numpy.ndarray, shape (n,)
        [V], and dI/dV.
    drawn : numpy.ndarray, shape (r, n)
        Curves of the noise that its points have: no less than theirs is taken.
    width_points : float
        Energy width in points.

    Notes
    -----
    Noise of points says nothing of slow noise, of which one curve has more than its points where the gap trembles (1/f). What the
    curve itself does over 1.5 widths is its second difference g(-h) - 2g(0) + g(h), of variance 6σ² for noise of any colour that is
    independent at that distance. As the noise of a gap grows with the current, σ² = a + b I² is fitted to the squares, a and b not
    below zero, weighted by their own size, and what is above 9 σ² is left out: a peak is no noise (no source; by simulation in
    scripts/studies/peaks.py).
    """
    lag = max(2, round(_APART * width_points))
    if mean.size < 4 * lag:
        return drawn.std(axis=0), 1.0
    square = (mean[: -2 * lag] - 2 * mean[lag:-lag] + mean[2 * lag :]) ** 2 / 6
    return _grown(bias, mean, square, drawn, lag)


def error_of_difference(
    bias: Array, mean: Array, difference: Array, drawn: Array, width_points: float
) -> tuple[Array, float]:
    """As `error_of_curve`, from half the difference of two curves whose mean this is: no structure of dI/dV is in it.

    Parameters
    ----------
    bias, mean, difference : numpy.ndarray, shape (n,)
        [V]; mean and half difference of two repeats, or of both directions without what causes of the bench explain.
    drawn : numpy.ndarray, shape (r, n)
        Curves of the noise that its points have.
    width_points : float
        Energy width in points.
    """
    return _grown(bias, mean, difference**2, drawn, max(2, round(_APART * width_points)))


def _grown(bias: Array, mean: Array, square: Array, drawn: Array, lag: int) -> tuple[Array, float]:
    """Standard error (n,) and its degrees of freedom from squares (n - 2k,) that have its variance where they are no structure."""
    points, size = drawn.std(axis=0), float(square.max())
    if not size > 0:
        return points, 1.0
    square = square / size
    current = np.concatenate([[0.0], np.cumsum(np.diff(bias) * (mean[1:] + mean[:-1]) / 2)])
    grown = (current - np.interp(0.0, bias, current)) ** 2
    grown = grown / max(float(grown.max()), 1e-300)
    cut = (mean.size - square.size) // 2
    inner = grown[cut : mean.size - cut]
    fitted = np.full(square.size, float((MAD_SCALE * np.median(np.sqrt(square))) ** 2))
    level = growth = 0.0
    for left_out in (False,) * _ROUNDS + (
        True,
    ) * _ROUNDS:  # left out at once, the ends of noise that grows would never come in
        weight = 1 / np.maximum(fitted, 1e-9)
        relative = square * weight
        rows = relative < _CLIP**2 if left_out else np.ones(square.size, bool)
        if not rows.any():
            break
        whole = np.minimum(relative, _CLIP**2)[rows] / (_WITHIN if left_out else 1.0)
        level, growth = _not_negative(weight[rows], (inner * weight)[rows], whole)
        fitted = level + growth * inner
    around = maximum_filter1d(
        level + growth * grown, 4 * lag + 1, mode="nearest"
    )  # a peak is held against what lies beside it
    return np.maximum(points, np.sqrt(size * around)), max(square.size / lag - 2, 1.0)


def _not_negative(a: Array, b: Array, y: Array) -> tuple[float, float]:
    """Factors of two columns, (k,) each, nearest to y in least squares, neither below zero."""
    aa, ab, bb, ay, by = (float(np.dot(*pair)) for pair in ((a, a), (a, b), (b, b), (a, y), (b, y)))
    below = aa * bb - ab**2
    if below > 1e-12 * aa * bb:
        first, second = (ay * bb - by * ab) / below, (by * aa - ay * ab) / below
        if first >= 0 and second >= 0:
            return float(first), float(second)
    only_a, only_b = max(ay / aa, 0.0), max(by / bb, 0.0) if bb > 0 else 0.0
    if only_b == 0 or only_a * ay >= only_b * by:  # what each takes off the sum of squares
        return float(only_a), 0.0
    return 0.0, float(only_b)


def threshold(significance: float, freedom: float) -> float:
    """Standard errors that a peak must have: as asked, or more where these rest on few degrees of freedom (Student's t).

    Parameters
    ----------
    significance : float
    freedom : float
    """
    return max(significance, float(student_quantile(1 - CHANCE, freedom)))
