"""Quantiles and tails by scipy.special (scipy.stats takes half a second to import, as long as many a session to analyse)."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import special

Array = NDArray[np.float64]

NORMAL_95 = float(special.ndtri(0.975))  # standard uncertainties of a normal distribution that 95 % lie within


def student_quantile(p: Any, dof: Any) -> Array:
    """What Student's t stays below with probability `p`; the normal distribution's where `dof` is infinite.

    Parameters
    ----------
    p : array_like, any shape
        Above 0 and below 1.
    dof : array_like, same shape
        Degrees of freedom; NaN where not above 0.
    """
    return np.asarray(special.stdtrit(dof, p))


def wider_of_few(units: int) -> float:
    """By how much 95 % of Student's t reach further than those of a normal distribution, of the scatter of so many units.

    An uncertainty times this has intervals of 95 % at 1.96 of it on either side, however few the units are.

    Parameters
    ----------
    units : int
        2 or more.
    """
    return float(student_quantile(0.975, units - 1)) / NORMAL_95


def student_above(value: Any, dof: Any) -> Array:
    """The chance that Student's t is above `value`.

    Parameters
    ----------
    value : array_like, any shape
    dof : array_like, same shape
        Degrees of freedom; NaN where not above 0.
    """
    return np.asarray(special.stdtr(dof, -np.asarray(value, float)))


def chi2_quantile(p: Any, dof: Any) -> Array:
    """What chi-square stays below with probability `p`.

    Parameters
    ----------
    p : array_like, any shape
        0 to 1.
    dof : array_like, same shape
        Degrees of freedom; NaN where not above 0.
    """
    freedom = np.asarray(dof, float)
    return np.asarray(2 * special.gammaincinv(np.where(freedom > 0, freedom, np.nan) / 2, p))


def f_quantile(p: Any, between: Any, within: Any) -> Array:
    """What the F distribution stays below with probability `p`.

    Parameters
    ----------
    p : array_like, any shape
        0 to 1.
    between, within : array_like, same shape
        Degrees of freedom of numerator and denominator; NaN where not above 0.
    """
    return np.asarray(special.fdtri(between, within, p))


def f_above(value: Any, between: Any, within: Any) -> Array:
    """The chance that a ratio of the F distribution is above `value`.

    Parameters
    ----------
    value : array_like, any shape
        0 or more.
    between, within : array_like, same shape
        Degrees of freedom of numerator and denominator; NaN where not above 0.
    """
    return np.asarray(special.fdtrc(between, within, value))


def chi2_above(value: Any, freedom: Any) -> Array:
    """The chance that a sum of squares of the chi-squared distribution is above `value`.

    Parameters
    ----------
    value : array_like, any shape
        0 or more.
    freedom : array_like, same shape
        Degrees of freedom.
    """
    return np.asarray(special.chdtrc(freedom, value))


def at_most_heads(heads: Any, tosses: int) -> Array:
    """The chance of at most so many heads in tosses of a coin (binomial distribution, 1/2).

    Parameters
    ----------
    heads : array_like of int, any shape
        0 to `tosses`.
    tosses : int
    """
    return np.asarray(special.bdtr(np.asarray(heads, float), tosses, 0.5))


def kendall_p(values: Any) -> float:
    """Two-sided p of Kendall's test for a trend of values in order; NaN for fewer than two.

    Parameters
    ----------
    values : array_like, shape (n,)
        In order, without NaN.

    Notes
    -----
    Exact up to 33 values without ties: of n! orders, the numbers with k pairs the wrong way round are the coefficients of
    Π (1 + x + ... + x^(j-1)). Else by the normal distribution with the variance for ties (M. G. Kendall, Biometrika 30, 81, 1938).
    """
    y = np.asarray(values, float)
    n = y.size
    if n < 2:
        return float("nan")
    earlier, later = np.triu_indices(n, 1)
    signs = np.sign(y[later] - y[earlier])
    wrong = int(min((signs < 0).sum(), (signs > 0).sum()))
    if signs.all() and n <= 33:
        orders = np.ones(1)
        for j in range(2, n + 1):
            orders = np.convolve(orders, np.ones(j)) / j
        return float(min(2 * orders[: wrong + 1].sum(), 1.0))
    tied = np.unique(y, return_counts=True)[1]
    variance = (n * (n - 1) * (2 * n + 5) - np.sum(tied * (tied - 1) * (2 * tied + 5))) / 18
    return float(2 * special.ndtr(-abs(signs.sum()) / np.sqrt(variance))) if variance > 0 else float("nan")
