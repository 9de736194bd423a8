"""Means of values that carry their own uncertainties: random effects, and which scatter to believe."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy import special

from sts.curves.distributions import student_quantile

# Below this many degrees of freedom the observed scatter is too uncertain to be told from the propagated one, and
# the wider of the two intervals is taken. Found by simulation (scripts/studies/tips.py): from 4 on, taking the
# larger of the two with its own t keeps a 95 % interval between 94.5 and 97 %; with 3 it comes down to 93.5 %.
TRUSTED_DOF = 4

ODD = 0.01  # chance that one of several equal parts is taken for one with a scatter of its own

_BISECTIONS = 100  # halves the bracket to the last bit of a double


@dataclass(frozen=True, eq=False)
class Pooled:
    """Random-effects means of m groups; every array is (m,), in the unit of the values (or its square)."""

    mean: np.ndarray
    tau2: np.ndarray  # variance between the values beyond their own uncertainty; NaN for a single value
    count: np.ndarray
    propagated_se: np.ndarray  # what the variances alone make of it, as if tau^2 were 0
    propagated_dof: np.ndarray
    observed_se: np.ndarray  # Hartung-Knapp, not floored; NaN for a single value
    observed_dof: np.ndarray
    weights: np.ndarray  # (m, k), summing to one in each row


def pool_random_effects(values: Any, variances: Any, dof: Any = np.inf, *, level: bool = False) -> Pooled:
    """Random-effects mean of each row, by Paule-Mandel with Hartung-Knapp uncertainty.

    Parameters
    ----------
    values, variances : array_like, shape (m, k) or (k,)
        Values and the squares of their standard uncertainties; NaN where a row has fewer than k values.
    dof : array_like, optional
        Degrees of freedom of the variances, same shape.
    level : bool
        No value weighs more than the one in the middle, however small its own variance: one site with twenty repeats
        among three with one would else be the mean by itself where tau^2 came out small by chance.

    Returns
    -------
    Pooled

    Raises
    ------
    ValueError
        If a row has no value, or a value has no positive variance.

    Notes
    -----
    tau^2 solves sum w (x - mean)^2 = k - 1 with w = 1/(v + tau^2), and is 0 where the left side is smaller already:
    R. C. Paule, J. Mandel, J. Res. NBS 87, 377 (1982). The uncertainty of the mean is
    sqrt(sum w (x - mean)^2 / (k - 1) / sum w) with k - 1 degrees of freedom: J. Hartung, G. Knapp, Stat. Med. 20,
    3875 (2001). Where tau^2 = 0 it can be smaller than the stated variances allow; `larger_scatter` looks after that.
    With `level` the weights of the mean are 1/(max(v, middle v) + tau^2), tau^2 as before (no source; by simulation in
    scripts/studies/pairs.py).
    """
    x = np.atleast_2d(np.asarray(values, float))
    v, nu = (np.broadcast_to(np.atleast_2d(np.asarray(a, float)), x.shape) for a in (variances, dof))
    here = np.isfinite(x)
    count = here.sum(axis=1)
    if (count == 0).any():
        raise ValueError(f"Row {int(np.argmin(count)) + 1} has no finite value; leave empty groups out.")
    if not (v[here] > 0).all() or not np.isfinite(v[here]).all():
        raise ValueError(
            f"{int(np.sum(~((v[here] > 0) & np.isfinite(v[here]))))} of {int(here.sum())} values have no positive "
            "variance; give every value its standard uncertainty squared."
        )
    x0 = np.where(here, x, 0.0)
    v0 = np.where(here, v, 1.0)

    def weighted(tau2: np.ndarray, v0: np.ndarray = v0) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        w = here / (v0 + tau2[:, None])
        mean = (w * x0).sum(axis=1) / w.sum(axis=1)
        return w, mean, (w * np.where(here, x - mean[:, None], 0.0) ** 2).sum(axis=1)

    low = np.zeros(len(x))
    first = np.take_along_axis(x, here.argmax(axis=1)[:, None], axis=1)  # stands in for what is missing
    high = np.ptp(np.where(here, x, first), axis=1) ** 2 * count  # the sum is below k - 1 there
    apart = weighted(low)[2] > count - 1
    for _ in range(_BISECTIONS):
        middle = (low + high) / 2
        above = weighted(middle)[2] > count - 1
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    tau2 = np.where(apart, (low + high) / 2, 0.0)
    w, mean, q = weighted(tau2, np.maximum(v0, _middle(v0, here, count)) if level else v0)
    total = w.sum(axis=1)
    share = w / total[:, None]
    parts = np.where(here, share**2 * v0, 0.0)
    single = count < 2
    with np.errstate(divide="ignore", invalid="ignore"):
        observed = np.sqrt(q / (count - 1) / total)
        propagated_dof = parts.sum(axis=1) ** 2 / np.where(here, parts**2 / np.where(here, nu, 1.0), 0.0).sum(axis=1)
    return Pooled(
        mean=mean,
        tau2=np.where(single, np.nan, tau2),
        count=count,
        propagated_se=np.sqrt(parts.sum(axis=1)),
        propagated_dof=propagated_dof,
        observed_se=np.where(single, np.nan, observed),
        observed_dof=count - 1.0,
        weights=share,
    )


def _middle(variances: np.ndarray, here: np.ndarray, count: np.ndarray) -> np.ndarray:
    """The middle variance of each row, shape (m, 1); the lower one of two."""
    ordered = np.sort(np.where(here, variances, np.inf), axis=1)
    return np.take_along_axis(ordered, (count[:, None] - 1) // 2, axis=1)


def places_in_rows(row: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Where values (k,) of some rows stand in a matrix of these, in order: their rows and columns.

    Parameters
    ----------
    row : ndarray of int, shape (k,)
        The row of each value.
    """
    return row, pd.Series(row).groupby(row).cumcount().to_numpy()


def as_rows(values: Any, row: np.ndarray) -> np.ndarray:
    """Values of some rows as a matrix, as `pool_random_effects` takes them: filled up with NaN.

    Parameters
    ----------
    values : array_like, shape (k,)
    row : ndarray of int, shape (k,)
        The row of each value.
    """
    row, column = places_in_rows(row)
    found = np.full((int(row.max()) + 1, int(column.max()) + 1), np.nan)
    found[row, column] = values
    return found


def stands_apart(squares: Any, dof: Any, others: tuple[Any, Any], count: Any) -> np.ndarray:
    """Which of `count` equal parts scatters more than the others by more than chance: F test at 1 % over all of them.

    Parameters
    ----------
    squares, dof : array_like
        Sum of squares of each part, and its degrees of freedom.
    others : (array_like, array_like)
        The same of the other parts together.
    count : array_like
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        f = (np.asarray(squares) / dof) / (np.asarray(others[0]) / others[1])
        chance = special.fdtrc(dof, others[1], f)
    return np.asarray((np.asarray(dof) > 0) & (np.asarray(others[1]) > 0) & (chance * count < ODD))


def larger_scatter(
    propagated_se: Any, propagated_dof: Any, observed_se: Any, observed_dof: Any, *, confidence: float = 0.95
) -> tuple[np.ndarray, np.ndarray]:
    """The standard uncertainty to state, with its degrees of freedom: the larger of propagated and observed.

    Parameters
    ----------
    propagated_se, propagated_dof, observed_se, observed_dof : array_like, shape (m,)
        NaN or zero degrees of freedom stand for "not known"; the other is then taken.
    confidence : float
        Level of the interval by which the two are compared where the observed one has few degrees of freedom.

    Notes
    -----
    With fewer than `TRUSTED_DOF` observed degrees of freedom, the one that gives the wider interval.
    Multiplying the larger of the two by the t of k - 1 degrees of freedom (the usual guard on Hartung-Knapp) would
    make a 95 % interval cover 99.6 % for 5 values whose scatter is no more than stated.
    """
    ps, pd, os, od = (
        np.array(a, float) for a in np.broadcast_arrays(propagated_se, propagated_dof, observed_se, observed_dof)
    )
    has_observed = np.isfinite(os) & (od > 0)
    has_propagated = np.isfinite(ps) & (ps > 0)
    os, od = np.where(has_observed, os, 0.0), np.where(has_observed, od, np.inf)
    ps, pd = np.where(has_propagated, ps, 0.0), np.where(has_propagated & (pd > 0), pd, np.inf)
    wider = os * t_quantile(od, confidence) > ps * t_quantile(pd, confidence)
    take_observed = np.where(od < TRUSTED_DOF, wider, os > ps)
    se = np.where(take_observed, os, ps)
    known = has_observed | has_propagated
    return np.where(known, se, np.nan), np.where(known, np.where(take_observed, od, pd), np.nan)


def half_interval(own_se: Any, own_dof: Any, known_se: Any, *, confidence: Any) -> np.ndarray:
    """Half the interval of values whose uncertainty has an estimated part and a part that is taken as known.

    Parameters
    ----------
    own_se, own_dof, known_se : array_like, shape (m,)
        Standard uncertainties, any unit, and degrees of freedom of the first.
    confidence : array_like, shape (m,) or one number
        Level, 0 to 1.

    Notes
    -----
    Degrees of freedom by Welch and Satterthwaite (GUM, JCGM 100:2008, G.4.1), and no less than the interval of the estimated part
    alone: a further source of uncertainty narrows nothing. With one or two degrees of freedom the formula alone takes an estimate
    that came out small by chance for one of many, and a 95 % interval holds 87 or 92 % where the known part is 0.3 of the other; no
    less than the part alone it holds 95 to 98 % with one degree of freedom and 94.3 to 95.4 % with more (by simulation; no source).
    """
    own, dof = np.asarray(own_se, float), np.asarray(own_dof, float)
    se = np.hypot(own, known_se)
    with np.errstate(invalid="ignore", divide="ignore"):
        both = np.where(se == own, dof, dof * (se / own) ** 4)
    return np.asarray(np.maximum(t_quantile(both, confidence) * se, t_quantile(dof, confidence) * own))


def half_of_parts(se: Any, dof: Any, *, confidence: float) -> np.ndarray:
    """The same of several parts that are each estimated (or known, with infinite degrees of freedom).

    Parameters
    ----------
    se, dof : array_like, shape (m, parts)
        Standard uncertainties, any unit, and degrees of freedom.
    confidence : float

    Notes
    -----
    As `half_interval`: no less than the interval of any part alone. Two parts of 1 to 20 degrees of freedom each, in any
    proportion, are held by 94.3 to 99 % (by simulation; above 97 % only where one has a single degree of freedom, or 2 and 2).
    """
    se, dof = np.asarray(se, float), np.asarray(dof, float)
    total = np.sqrt(np.sum(se**2, axis=1))
    with np.errstate(invalid="ignore", divide="ignore"):
        free = total**4 / np.sum(np.where(se > 0, se**4 / dof, 0.0), axis=1)
    alone = np.max(np.where(se > 0, t_quantile(dof, confidence) * se, 0.0), axis=1)
    return np.asarray(np.maximum(t_quantile(free, confidence) * total, alone))


def joined_dof(own_se: float, own_dof: float, total_se: float) -> float:
    """Degrees of freedom of a total whose other parts are known, for an interval no narrower than that of its own part.

    Parameters
    ----------
    own_se, total_se : float
        Standard uncertainties of the estimated part and of all together.
    own_dof : float

    Notes
    -----
    As `half_interval`, at 95 %.
    """
    if not own_se > 0:
        return float("inf")
    free = own_dof * (total_se / own_se) ** 4
    return float(free if t_quantile(free, 0.95) * total_se >= t_quantile(own_dof, 0.95) * own_se else own_dof)


def t_quantile(dof: Any, confidence: Any) -> np.ndarray:
    """The two-sided quantile of Student's t (of the normal distribution where `dof` is infinite).

    Parameters
    ----------
    dof : array_like, any shape
    confidence : array_like, same shape or one number
        Level, 0 to 1.
    """
    dof = np.asarray(dof, float)
    return student_quantile((1 + confidence) / 2, dof)
