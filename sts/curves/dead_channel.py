"""Sweeps whose current depends on nothing: a loose cable, the wrong channel, or all of it in a gap.

Used for I(V) and I(z) alike.
"""

from __future__ import annotations

import warnings

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtr

from sts.curves.distributions import f_above
from sts.flags import flag_rows
from sts.quantities import with_prefix

Array = NDArray[np.float64]

_STRETCHES = 10  # of a sweep, whose levels are compared
_CHANCE = 1e-3
_FEW = 60  # points: a stretch of so few holds so much of the curve that its course looks like scatter


def dead_rows(names: list[str], current: Array, reference: Array, axis: str = "bias") -> pd.DataFrame:
    """Sweeps (m, n) whose current does not depend on the `axis`, while that of the others (k, n) does, or all alike.

    One-way analysis of variance over stretches of the sweep: where the levels of the stretches differ no more than
    their scatter explains (at one in a thousand), the sweep by itself shows nothing. Of few points the order must be by
    chance as well (`_ordered`). It is dead if the mean of the group
    shows nothing either, or if it lacks at least half of what the mean shows beyond three standard errors: a weak
    current among others like it is not dead.

    Parameters
    ----------
    names : list of str, length m
        Of the sweeps.
    current : numpy.ndarray, shape (m, n)
        Current [A].
    reference : numpy.ndarray, shape (k, n)
        Current [A] of the sweeps to compare with.
    axis : str
        What the axis is called.
    """
    still = _does_nothing(current)
    if not still.any():
        return flag_rows(names, still, "dead channel", "")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # columns of which nothing is left
        mean = np.nanmean(reference, axis=0)
        if not _does_nothing(mean[None])[0]:
            course = np.nan_to_num(mean - np.nanmean(mean))
            own = np.nan_to_num(current - np.nanmean(current, axis=1, keepdims=True))
            weight = float(course @ course)
            share = own @ course / weight
            error = np.nanstd(current, axis=1) / np.sqrt(weight)
            still &= share + 3 * error < 0.5
        levels = np.nanmean(current, axis=1) * 1e12
    details = [f"the current stays at {with_prefix(level, 'pA')} whatever the {axis}" for level in levels]
    return flag_rows(names, still, "dead channel", details)


def stuck(signal: Array, full_scale: Array | None) -> NDArray[np.bool_]:
    """Rows (m, n) that hold one number throughout, missing samples apart, and not the full scale (m,): that is a limit.

    Parameters
    ----------
    signal : numpy.ndarray, shape (m, n)
        Any channel.
    full_scale : numpy.ndarray, optional
        Largest value that the electronics pass.
    """
    least, most = np.fmin.reduce(signal, axis=1), np.fmax.reduce(signal, axis=1)
    same = np.asarray(least == most, bool)
    same[same] = np.isfinite(signal[same]).mean(axis=1) >= 0.5  # where most is missing nothing can be said
    return same if full_scale is None else same & ~(np.abs(most) >= 0.95 * full_scale)


def _does_nothing(current: Array) -> NDArray[np.bool_]:
    """Whether the levels of stretches of each row (m, n) are alike within their scatter, and do not rise either."""
    points = current.shape[1]
    stretch = max(3, points // _STRETCHES)
    count = points // stretch
    if count < 3:
        return np.zeros(len(current), bool)
    ends = current[:, :stretch], current[:, (count - 1) * stretch : count * stretch]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)
        apart = np.abs(np.nanmean(ends[0], axis=1) - np.nanmean(ends[1], axis=1))
        scatter = np.nanstd(ends[0], axis=1) + np.nanstd(ends[1], axis=1)
        still = ~(apart > 2 * scatter)  # most sweeps end at other currents than they begin: no need to look further
        if still.any():
            parts = current[still, : count * stretch].reshape(-1, count, stretch)
            means = np.nanmean(parts, axis=2)
            within = np.nansum((parts - means[:, :, None]) ** 2, axis=(1, 2))
            between = stretch * np.nansum((means - np.nanmean(means, axis=1, keepdims=True)) ** 2, axis=1)
            freedom = np.isfinite(parts).sum(axis=(1, 2)) - count
            f = (between / (count - 1)) / np.maximum(within / np.maximum(freedom, 1), 1e-300)
            # stretches that are all the same number to the last digit differ by rounding only
            same = between <= 1e-18 * np.nansum(parts**2, axis=(1, 2))
            place = np.arange(count) - (count - 1) / 2
            level = np.nan_to_num(means - np.nanmean(means, axis=1, keepdims=True))
            slope = level @ place / (place @ place)  # a straight rise is seen earlier by its slope than by the levels
            rise = slope**2 * (place @ place) * stretch / np.maximum(within / np.maximum(freedom, 1), 1e-300)
            f_rise = f_above(rise, 1, np.maximum(freedom, 1))
            seen = np.isfinite(means).sum(axis=1) >= max(
                3, count // 2
            )  # where most is at the limit nothing can be said
            nothing = (f_above(f, count - 1, np.maximum(freedom, 1)) > _CHANCE) & (f_rise > _CHANCE)
            still[still] = seen & (same | nothing)
    if still.any() and points <= _FEW:
        still[still] = ~_ordered(current[still])
    return np.asarray(still, bool)


def _ordered(current: Array) -> NDArray[np.bool_]:
    """Whether each row (k, n) rises or falls in more pairs of its samples than chance explains.

    M. G. Kendall, Biometrika 30, 81 (1938): over all pairs, the later minus the earlier has the signs of chance with the
    variance n (n - 1) (2n + 5)/18.
    """
    there = np.isfinite(current)
    later, earlier = np.triu_indices(current.shape[1], 1)[::-1]
    with np.errstate(invalid="ignore"):
        signs = np.where(there[:, later] & there[:, earlier], np.sign(current[:, later] - current[:, earlier]), 0.0)
    n = there.sum(axis=1)
    spread = np.sqrt(np.maximum(n * (n - 1) * (2 * n + 5) / 18, 1.0))
    return np.asarray(2 * ndtr(-np.abs(signs.sum(axis=1)) / spread) < _CHANCE, bool)
