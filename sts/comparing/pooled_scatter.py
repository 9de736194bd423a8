"""Scatter between sites, learned from all tips of a sample: how far each tip's own few sites are helped by the others."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
import pandas as pd
from scipy import optimize, special

from sts.comparing.random_effects import Pooled, as_rows, places_in_rows, stands_apart, t_quantile

FEWEST_TIPS = (
    3  # with two, one that scatters more is not told from chance, and a pool gains little (scripts/studies/pooling.py)
)

_UNLIKE = np.linspace(0.0, 1.4, 8)  # standard deviation of ln(scatter) between tips: from alike to a factor of 4
_CENTRES = np.exp(np.linspace(-3.0, 3.0, 25))  # of the variance of a typical tip, times the plain pool
_ALIKE = 1e6  # degrees of freedom of the others where all tips scatter alike
_LEAST = 1e-9  # of the pooled variance: sites that agree to the last digit say no more than this
_STEPS = 3  # of Newton; the start is within some per cent


def pool_scatter(variance: Any, dof: Any, *, confidence: float = 0.95) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Variances of the tips of each sample, each moderated by those of the others as far as they are alike.

    Parameters
    ----------
    variance : array_like, shape (m, k)
        Observed variance of one site's value at each of k tips of m samples, any unit that makes tips alike (relative); NaN
        where there is none.
    dof : array_like, shape (m, k)
        Its degrees of freedom, sites less one; 0 or NaN where there is none.
    confidence : float
        Level of the interval that the result is made for.

    Returns
    -------
    variance, dof : ndarray, shape (m, k)
        With these, Student's t gives the interval of the level asked for. As they came where fewer than `FEWEST_TIPS` tips
        of a sample have a scatter.
    together : ndarray, shape (m,)
        Degrees of freedom that all tips of the sample have together: no difference of two has more. Infinite where nothing
        was pooled.

    Notes
    -----
    Variances of normal values whose true variances scatter between tips as a scaled inverse χ² with d degrees of freedom:
    G. K. Smyth, Stat. Appl. Genet. Mol. Biol. 3, 3 (2004). There d and the typical variance are estimated; three or four tips
    with three sites do not tell them, so here both are averaged over, weighted by the likelihood of all variances (each is F
    distributed about the typical one): the standard deviation of ln(scatter) between tips anything from 0 to 1.4, the
    typical variance anything. The interval is that of the mixture of t distributions. A tip's own scatter is never taken
    for less than it is: a tip that scatters more than the others keeps it, only its t is that of more degrees of freedom. One
    that scatters more than chance allows (F test at 1 % over the tips, as for odd sites in `site_level`; one that changed on the
    way, say) stands by itself and leaves the pool.
    Coverage and false alarms in scripts/studies/pooling.py.
    """
    v, nu = np.atleast_2d(np.asarray(variance, float)), np.nan_to_num(np.atleast_2d(np.asarray(dof, float)))
    nu = np.where(np.isfinite(v), nu, 0.0)
    together = nu.sum(axis=1)
    made, made_dof = np.where(nu > 0, v, np.nan), np.where(nu > 0, nu, np.nan)
    own = np.where(_of_its_own(v, nu), 0.0, nu)
    with np.errstate(invalid="ignore", divide="ignore"):
        plain = np.where(own > 0, own * v, 0.0).sum(axis=1) / own.sum(axis=1)
    pooled = ((own > 0).sum(axis=1) >= FEWEST_TIPS) & (plain > 0)
    if pooled.any():
        helped = (own > 0) & pooled[:, None]
        variances, freedoms = _moderated(v[pooled], own[pooled], plain[pooled], confidence)
        made[helped], made_dof[helped] = variances[own[pooled] > 0], freedoms[own[pooled] > 0]
    return made, made_dof, np.where(pooled, together, np.inf)


def _of_its_own(v: np.ndarray, nu: np.ndarray) -> np.ndarray:
    """Which tips scatter too much to be asked about the others, or helped by them."""
    known = nu > 0
    squares = np.where(known, nu * v, 0.0)
    rest, rest_dof = squares.sum(axis=1, keepdims=True) - squares, nu.sum(axis=1, keepdims=True) - nu
    return np.asarray(stands_apart(squares, nu, (rest, rest_dof), known.sum(axis=1, keepdims=True)) & (rest > 0))


def scatter_of_tips(sample: pd.Series, tips: Pooled, *, confidence: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Observed uncertainties of tips from their sites, helped by the other tips of the sample.

    Parameters
    ----------
    sample : pandas.Series, shape (k,)
        Of each tip.
    tips : Pooled
        Means of k tips over their sites.
    confidence : float
        Level of the intervals.

    Returns
    -------
    se, dof, together : ndarray, shape (k,)
        As `pool_scatter` says, in the unit of the means.

    Notes
    -----
    What tips have in common is the scatter between sites in per cent: the squared uncertainty of a mean over its square, times
    the number of sites of equal weight that it is worth (1/Σ share²).
    """
    row = sample.groupby(sample, sort=False, dropna=False).ngroup().to_numpy()
    place, sites = places_in_rows(row), 1 / (tips.weights**2).sum(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        variance = np.where(tips.mean > 0, (tips.observed_se / tips.mean) ** 2 * sites, np.nan)
    told = (as_rows(variance, row), as_rows(tips.observed_dof, row))
    made, made_dof, together = (np.asarray(x) for x in pool_scatter(*told, confidence=confidence))
    se = np.abs(tips.mean) * np.sqrt(made[place] / sites)
    own = ~np.isfinite(together[row])
    return np.where(own, tips.observed_se, se), np.where(own, tips.observed_dof, made_dof[place]), together[row]


def _moderated(v: np.ndarray, nu: np.ndarray, plain: np.ndarray, confidence: float) -> tuple[np.ndarray, np.ndarray]:
    """Variances and degrees of freedom; NaN where a tip has none."""
    has = nu > 0
    v = np.where(has, np.maximum(v, _LEAST * plain[:, None]), plain[:, None])
    prior = _prior_dof()
    typical = plain[:, None] * _CENTRES
    weight = _weights(v, nu, typical, prior)
    total = prior + nu[..., None]  # m, k, d
    scale = np.sqrt((prior * typical[:, None, :, None] + (nu * v)[:, :, None, None]) / total[:, :, None, :])
    dof = total[:, :, None, :]
    height = np.exp(special.gammaln((dof + 1) / 2) - special.gammaln(dof / 2)) / np.sqrt(np.pi * dof)  # of Student's t
    weight = weight[:, None]
    half = (weight * scale * t_quantile(total, confidence)[:, :, None, :]).sum(axis=(2, 3))
    for _ in range(_STEPS):  # ln half, so that it stays positive
        t = half[:, :, None, None] / scale
        outside = 2 * (weight * special.stdtr(dof, -t)).sum(axis=(2, 3))
        slope = 2 * (weight * height * np.exp(-(dof + 1) / 2 * np.log1p(t**2 / dof)) * t).sum(axis=(2, 3))
        half = half * np.exp(np.clip((outside - (1 - confidence)) / slope, -0.5, 0.5))
    most = nu.sum(axis=1)[:, None, None]
    made_dof = (weight[:, 0].sum(axis=1)[:, None, :] * np.minimum(total, most)).sum(axis=2)
    made = np.maximum((half / t_quantile(made_dof, confidence)) ** 2, v)
    return np.where(has, made, np.nan), np.where(has, made_dof, np.nan)


def _weights(v: np.ndarray, nu: np.ndarray, typical: np.ndarray, prior: np.ndarray) -> np.ndarray:
    """Posterior weights of typical variance and likeness, shape (m, c, d): v / typical is F distributed with (nu, prior)."""
    log = np.zeros((*typical.shape, prior.size))
    for j in range(v.shape[1]):
        n = np.maximum(nu[:, j], 1.0)[:, None, None]
        x = (v[:, j, None] / typical)[:, :, None]
        density = (
            n / 2 * np.log(n * x / prior) - (n + prior) / 2 * np.log1p(n * x / prior) - special.betaln(n / 2, prior / 2)
        )
        log += np.where((nu[:, j] > 0)[:, None, None], density, 0.0)
    weight = np.exp(log - log.max(axis=(1, 2), keepdims=True))
    weight[:, :, [0, -1]] /= 2  # trapezoids
    return np.asarray(weight / weight.sum(axis=(1, 2), keepdims=True))


@lru_cache
def _prior_dof() -> np.ndarray:
    """Degrees of freedom of an inverse χ² whose ln(scatter) has the standard deviations `_UNLIKE`: trigamma(d/2) / 4 = sd²."""

    def dof(sd: float) -> float:
        return float(optimize.brentq(lambda d: float(special.polygamma(1, d / 2)) / 4 - sd**2, 0.1, _ALIKE))

    return np.array([_ALIKE, *(dof(sd) for sd in _UNLIKE[1:])])
