"""Intervals of a median and of standard deviations within and between groups, each by a rule that needs no tuning."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from scipy import optimize

from sts.curves.distributions import at_most_heads, chi2_quantile

NONE = (float("nan"), float("nan"))
FEWEST_GROUPS = 3  # below it the scatter between groups has no interval that says anything


def median_interval(values: Any, confidence: float = 0.95) -> tuple[float, float]:
    """Interval of the median of what values are drawn from, by their ranks; NaN where there are too few for the level.

    Parameters
    ----------
    values : array_like, shape (n,)
        Any unit; NaN is left out.
    confidence : float

    Notes
    -----
    The r-th smallest and the r-th largest value hold the median with at least the level, whatever the distribution; r - 1 is the
    largest count whose binomial tail (n, 1/2) is at most half of the rest (W. J. Conover, Practical Nonparametric Statistics,
    3rd ed., 1999, sec. 3.2; from memory). 95 % needs six values.
    """
    known = np.sort(np.asarray(values, float)[np.isfinite(np.asarray(values, float))])
    rank = int(np.sum(at_most_heads(np.arange(known.size), known.size) <= (1 - confidence) / 2))
    return (float(known[rank - 1]), float(known[-rank])) if rank > 0 else NONE


def within_interval(sds: Any, counts: Any, confidence: float = 0.95) -> tuple[float, float]:
    """Interval of the standard deviation that groups share, from the root mean square of theirs, by chi-square.

    Parameters
    ----------
    sds : array_like, shape (k,)
        Of each group; NaN is left out.
    counts : array_like, shape (k,)
        Members of each, 2 or more.
    confidence : float

    Notes
    -----
    s sqrt(f/χ²) for normal scatter (textbooks); the plain mean of k variances of f_i degrees of freedom has
    f = k²/Σ(1/f_i) of them (F. E. Satterthwaite, Biometrics Bulletin 2, 110, 1946).
    """
    s, n = np.asarray(sds, float), np.asarray(counts, float)
    good = np.isfinite(s) & (n >= 2)
    if not good.any():
        return NONE
    freedom = good.sum() ** 2 / np.sum(1 / (n[good] - 1))
    tails = np.array([0.5 + confidence / 2, 0.5 - confidence / 2])
    low, high = np.sqrt(np.mean(s[good] ** 2) * freedom / chi2_quantile(tails, freedom))
    return float(low), float(high)


def between_interval(values: Any, ses: Any, confidence: float = 0.95) -> tuple[float, float]:
    """Interval of the standard deviation between groups whose means are known with standard uncertainties; NaN below three.

    Parameters
    ----------
    values, ses : array_like, shape (k,)
        Mean of each group and its standard uncertainty, in one unit.
    confidence : float

    Notes
    -----
    Q(τ²) = Σ (y_i - ȳ)²/(u_i² + τ²) is chi-square of k - 1 degrees of freedom; the ends are where it reaches its quantiles
    (W. Viechtbauer, Statistics in Medicine 26, 37, 2007).
    """
    y, u = np.asarray(values, float), np.asarray(ses, float)
    good = np.isfinite(y) & np.isfinite(u) & (u > 0)
    y, u = y[good], u[good]
    if y.size < FEWEST_GROUPS:
        return NONE

    def spread(tau2: float) -> float:
        weight = 1 / (u**2 + tau2)
        return float(np.sum(weight * (y - np.sum(weight * y) / weight.sum()) ** 2))

    upper, lower = (float(chi2_quantile(0.5 + half, y.size - 1)) for half in (confidence / 2, -confidence / 2))
    return _root(spread, upper, y), _root(spread, lower, y)


def rate_interval(count: Any, size: Any, confidence: float = 0.95) -> tuple[np.ndarray, np.ndarray]:
    """Interval of the rate of rare events, such as jumps per 100 sweeps.

    Parameters
    ----------
    count : array_like of int
        Events seen.
    size : array_like
        In how much they were seen, in the unit of the rate (hundreds of sweeps); above 0.
    confidence : float

    Notes
    -----
    Exact for Poisson counts: half of chi-square quantiles of 2 c and 2 c + 2 degrees of freedom (F. Garwood, Biometrika 28, 437,
    1936); 0 events have the lower end 0.
    """
    c, n = np.asarray(count, float), np.asarray(size, float)
    tail = (1 - confidence) / 2
    with np.errstate(invalid="ignore", divide="ignore"):
        low = np.where(c > 0, chi2_quantile(tail, 2 * c) / 2, 0.0)
        return np.asarray(low / n), np.asarray(chi2_quantile(1 - tail, 2 * c + 2) / 2 / n)


def _root(spread: Callable[[float], float], level: float, values: Any) -> float:
    """The standard deviation between groups at which Q has fallen to a level; 0 if it is below it there already."""
    if spread(0.0) <= level:
        return 0.0
    most = float(np.var(values)) * values.size / level + 1e-300  # Q(τ²) < Σ(y - ȳ)²/τ²
    return float(np.sqrt(optimize.brentq(lambda tau2: spread(tau2) - level, 0.0, most)))
