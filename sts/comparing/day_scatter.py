"""How much tips scatter from day to day: what few and unequal days tell of it, and what follows for one more day."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

Array = NDArray[np.float64]

SCATTER = np.geomspace(1e-5, 1e4, 280)  # standard deviations between days that are weighed, in ln of the barrier
_BISECTIONS = 70
_BORROWED = 2.0  # degrees of freedom that the days lend each other


@dataclass(frozen=True, eq=False)
class Days:
    """What days without a change say of the scatter between days, for m rows; weights are those of `SCATTER`."""

    mean: Array  # (m, g) mean of the days for each scatter
    variance: Array  # (m, g) of that mean
    log_likelihood: Array  # (m, g) restricted
    information: Array  # (m, g) Fisher's, about the variance
    dof: Array  # (m,)


def weigh(values: Any, ses: Any) -> Days:
    """What rows of days say for each scatter between days.

    Parameters
    ----------
    values, ses : array_like, shape (m, k)
        Value and standard uncertainty of each day; NaN where a row has fewer than k.

    Notes
    -----
    Restricted likelihood of one variance component, x_i ~ N(μ, u_i² + τ²), μ integrated out (textbooks), and Fisher's
    information about τ² of it, tr(PP)/2 with P = W - W11'W/1'W1.
    """
    x, u = (np.atleast_2d(np.asarray(a, float)) for a in (values, ses))
    here = np.isfinite(x) & np.isfinite(u)
    x, u = np.where(here, x, 0.0), np.where(here, u, 0.0)
    w = np.where(here[..., None], 1 / (u[..., None] ** 2 + SCATTER**2), 0.0)
    total, squares, cubes = w.sum(axis=1), (w**2).sum(axis=1), (w**3).sum(axis=1)
    count = here.sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = (w * x[..., None]).sum(axis=1) / total
        spread = (w * (x[..., None] - mean[:, None, :]) ** 2).sum(axis=1)
        logs = np.where(here[..., None], np.log(np.where(w > 0, w, 1.0)), 0.0).sum(axis=1)
        likelihood = (logs - np.log(total) - spread) / 2
        information = squares - 2 * cubes / total + (squares / total) ** 2
    some = (count > 1)[:, None]
    return Days(
        mean=mean,
        variance=1 / np.where(total > 0, total, np.nan),
        log_likelihood=np.where(some, likelihood, 0.0),
        information=np.where(some, np.maximum(information, 0.0), 0.0),
        dof=np.maximum(count - 1.0, 0.0),
    )


def scatter_weights(log_likelihood: Array, information: Array) -> Array:
    """Weight of each scatter between days, summing to one in each row (m, g).

    Parameters
    ----------
    log_likelihood, information : ndarray, shape (m, g)
        Sums over all days that tell of the scatter.

    Returns
    -------
    ndarray, shape (m, g)
        NaN where nothing tells of it.

    Notes
    -----
    Posterior for the rule of H. Jeffreys (Proc. R. Soc. A 186, 453, 1946), the square root of the information. Where the days' own
    uncertainties are small, what follows of it is Student's t; where they are all there is, it comes to the normal distribution.
    """
    known = (information > 0).any(axis=-1, keepdims=True)
    with np.errstate(divide="ignore"):
        log = log_likelihood + np.log(np.where(known, information, np.nan)) / 2 + 2 * np.log(SCATTER)
    weights = np.exp(log - log.max(axis=-1, keepdims=True))
    return np.asarray(weights / weights.sum(axis=-1, keepdims=True))


def share_below(value: Array, weights: Array, mean: Array, sd: Array) -> Array:
    """Probability below a value (m,) of mixtures of normal distributions (m, g)."""
    return np.asarray((weights * ndtr((value[:, None] - mean) / sd)).sum(axis=1))


def quantile(share: float, weights: Array, mean: Array, sd: Array) -> Array:
    """The value (m,) below which a share of mixtures of normal distributions (m, g) lies; NaN where the weights are."""
    reach = 40 * sd[:, -1]
    low, high = -reach, reach
    for _ in range(_BISECTIONS):
        middle = (low + high) / 2
        below = share_below(middle, weights, mean, sd) < share
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return np.asarray(np.where(np.isfinite(weights).all(axis=1), (low + high) / 2, np.nan))


def borrowed(ses: Any, dof: Any, parts: Any) -> Array:
    """Standard uncertainties of days, those with few degrees of freedom drawn towards what all days have.

    Parameters
    ----------
    ses, dof : array_like, shape (n,)
        Standard uncertainty of each day from the scatter of its sites, and degrees of freedom; NaN or 0 where there is one site.
    parts : array_like, shape (n,)
        Sites of each day.

    Notes
    -----
    u² → (f u² + 2 s²/n)/(f + 2), s² = Σ f n u²/Σ f the scatter between sites of all days, as variances are shrunk to a common
    one (G. K. Smyth, Stat. Appl. Genet. Mol. Biol. 3, 3, 2004; its weight is found from the data, here it is 2: with it a day
    that seems certain by chance raises no alarm, by simulation in scripts/studies/record.py).
    """
    u, f, n = (np.array(part, float) for part in np.broadcast_arrays(ses, dof, parts))
    f = np.where(np.isfinite(f), f, 0.0)
    if not (total := f.sum()):
        return np.asarray(u)
    with np.errstate(invalid="ignore"):
        common = float(np.sum(np.where(f > 0, f * n * u**2, 0.0)) / total)
    return np.asarray(np.sqrt((np.where(f > 0, f * u**2, 0.0) + _BORROWED * common / n) / (f + _BORROWED)))
