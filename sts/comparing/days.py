"""From the sites of several days to a tip: sites are replicates within a day, days within a tip."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from sts.comparing.random_effects import as_rows, pool_random_effects, t_quantile

LEAST = 1 / 3  # of the half interval that the sites alone would give: no chance agreement of two days makes it narrower


@dataclass(frozen=True, eq=False)
class DayLevel:
    """Slopes of m tips over their days, in the unit of the slopes; NaN for tips of one day."""

    days: np.ndarray  # (m,) of each tip
    mean: np.ndarray
    se: np.ndarray
    dof: np.ndarray
    day_sd: np.ndarray  # standard deviation between days, beyond what the sites of a day make of it
    site_sd: np.ndarray  # between the sites of a day, noise included
    shared: np.ndarray  # whether the scatter between days was taken together with other tips


def over_days(sites: pd.DataFrame, tip: np.ndarray, variance: np.ndarray, *, confidence: float = 0.95) -> DayLevel:
    """The mean of each tip over its days, whose scatter its uncertainty holds.

    Parameters
    ----------
    sites : pandas.DataFrame
        k sites: `sample`, `day`, `decay_per_nm` [1/nm].
    tip : numpy.ndarray of int, shape (k,)
        Which of m tips each site is of.
    variance : numpy.ndarray, shape (k,)
        Squared standard uncertainties of the slopes [1/nm²].
    confidence : float
        Level of the intervals that will be made of it.

    Notes
    -----
    The days of a tip are its replicates: random effects over their means with Hartung-Knapp uncertainty and D - 1 degrees of
    freedom for D days, which holds whatever the scatter from day to day is. With two days that rests on one difference
    (t = 12.7). Where several tips were measured on the same two days their differences are taken together, relative to each
    slope, in a two-way table of T tips and two days: the variance of a day's mean about its tip's is (M_day + (T - 1) M_rest)/T
    from the mean squares of what all tips share and of the rest, with degrees of freedom by Satterthwaite (Biometrics Bulletin
    2, 110, 1946): T where days move each tip by itself, 1 where they move all alike. Different numbers of sites are allowed
    for. With three days or more each tip stands for itself: taken together, one tip that scatters three times as much as the
    others would be held by 79 % only.
    Proved in scripts/studies/days.py.
    """
    slope = sites["decay_per_nm"].to_numpy(float)
    count = int(tip.max()) + 1
    cell = (
        pd.DataFrame({"tip": tip, "day": sites["day"].to_numpy(object)})
        .groupby(["tip", "day"], sort=False)
        .ngroup()
        .to_numpy()
    )
    first = np.unique(cell, return_index=True)[1]
    of, day, n = tip[first], sites["day"].to_numpy(object)[first], np.bincount(cell)
    mean = pool_random_effects(as_rows(slope, cell), as_rows(variance, cell), level=True).mean
    free = np.bincount(of, weights=n - 1.0, minlength=count)
    squares = np.bincount(tip, weights=(slope - mean[cell]) ** 2, minlength=count)
    site = np.where(free > 0, squares / np.maximum(free, 1.0), np.nan)  # variance between sites of a day
    stated = np.bincount(cell, weights=variance) / n
    of_mean = np.fmax(site[of], stated) / n
    days = np.bincount(of, minlength=count)
    pooled = pool_random_effects(as_rows(mean, of), as_rows(of_mean, of), level=True)
    se, dof = pooled.observed_se.copy(), np.where(days > 1, days - 1.0, np.nan)
    shared = np.zeros(count, bool)
    sample = pd.Series(sites["sample"].to_numpy(object)).groupby(tip).first()
    for tips in _same_two_days(sample, of, day, days):
        values = np.array([mean[of == one] for one in tips]) / pooled.mean[tips, None]
        order = np.argsort(np.array([day[of == one] for one in tips]), axis=1, kind="stable")
        fewer = np.array([np.mean(1 / n[of == one]) for one in tips])
        known = free[tips] > 0
        usual = np.average((site / pooled.mean**2)[tips][known], weights=free[tips][known]) if known.any() else 0.0
        spread, freedom = _two_way(np.take_along_axis(values, order, axis=1))
        relative = np.maximum(spread + usual * (fewer - fewer.mean()), LEAST**2 * spread)
        se[tips], dof[tips], shared[tips] = np.abs(pooled.mean[tips]) * np.sqrt(relative / 2), freedom, True
    alone = np.sqrt(np.bincount(of, weights=of_mean, minlength=count)) / days  # as if days did not scatter
    with np.errstate(invalid="ignore", divide="ignore"):
        least = LEAST * alone * t_quantile(np.where(free > 0, free, np.inf), confidence) / t_quantile(dof, confidence)
    return DayLevel(
        days,
        pooled.mean,
        np.where(days > 1, np.fmax(se, least), np.nan),
        dof,
        np.sqrt(pooled.tau2),
        np.sqrt(site),
        shared,
    )


def _same_two_days(sample: pd.Series, of: np.ndarray, day: np.ndarray, days: np.ndarray) -> list[np.ndarray]:
    """Groups of two tips or more that were measured on the same sample on the same two days."""
    found: dict[tuple[str, ...], list[int]] = {}
    for tip in np.flatnonzero(days == 2):
        found.setdefault((str(sample[tip]), *sorted(map(str, day[of == tip]))), []).append(int(tip))
    return [np.array(tips) for tips in found.values() if len(tips) > 1]


def _two_way(values: np.ndarray) -> tuple[float, float]:
    """Variance of the two values of a tip about their mean, (T, 2), and its degrees of freedom."""
    tips = len(values)
    apart = values - values.mean(axis=1, keepdims=True)
    alike = apart.mean(axis=0)
    day = float(tips * np.sum(alike**2))
    rest = float(np.sum((apart - alike) ** 2)) / (tips - 1)
    spread = (day + (tips - 1) * rest) / tips
    wobble = (day / tips) ** 2 + ((tips - 1) * rest / tips) ** 2 / (tips - 1)
    return spread, float(np.clip(spread**2 / wobble, 1.0, tips)) if wobble > 0 else 1.0
