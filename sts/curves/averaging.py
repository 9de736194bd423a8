"""Groups of sweeps, repeats within them, missing samples, and three kinds of average."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtri

from sts.curves.distributions import at_most_heads
from sts.curves.electronics import noise_level
from sts.curves.resampling import resampled_counts
from sts.curves.robust import median_known
from sts.sweeps import SweepSet

Array = NDArray[np.float64]

GROUP = ("sample", "tip", "unassigned", "setpoint_current_A", "setpoint_bias_V", "direction", "day", "site")
FEW = 5  # a group smaller than this borrows from the other sites of its tip


def group_sweeps(sweeps: SweepSet, by: Sequence[str]) -> list[tuple[dict[str, Any], SweepSet]]:
    """Split a set by columns of its table, in the order in which the groups first appear.

    Unknown values (NaN, "") form a group of their own.

    Parameters
    ----------
    sweeps : SweepSet
    by : sequence of str
        Columns of the table.

    Raises
    ------
    ValueError
        If a column is not in the table.
    """
    missing = [column for column in by if column not in sweeps.table]
    if missing:
        raise ValueError(
            f"There is no column '{missing[0]}' to group by; there are: {', '.join(map(str, sweeps.table.columns))}."
        )
    codes = group_codes(sweeps.table, by)
    groups = []
    for code in range(int(codes.max()) + 1):
        rows = np.flatnonzero(codes == code)
        first = sweeps.table.iloc[int(rows[0])]
        groups.append(({column: _plain(first[column]) for column in by}, sweeps.select(rows)))
    return groups


def group_codes(table: pd.DataFrame, by: Sequence[str]) -> NDArray[np.int64]:
    """A number for each row, the same where all columns agree (unknown agrees with unknown), in order of appearance.

    Parameters
    ----------
    table : pandas.DataFrame
        Of m sweeps.
    by : sequence of str
        Its columns.
    """
    return codes_of(*(table[column] for column in by)) if by else np.zeros(len(table), np.int64)


def site_columns(table: pd.DataFrame) -> list[str]:
    """What tells one site from another in a table of sweeps: a site of the same name on another day is another.

    Parameters
    ----------
    table : pandas.DataFrame
        `day` may be missing.
    """
    return [column for column in ("sample", "tip", "day", "site") if column in table]


def codes_of(*columns: Any) -> NDArray[np.int64]:
    """A number for each row of some columns, as `group_codes` gives them.

    Parameters
    ----------
    *columns : pandas.Series or ndarray, shape (m,)
        One or more.

    Notes
    -----
    What ``groupby(sort=False, dropna=False).ngroup()`` gives, in a fifth of the time: it is asked for some twenty times for each
    spectrum.
    """
    whole = np.zeros(len(columns[0]), np.int64)
    for column in columns:
        codes, values = pd.factorize(column, use_na_sentinel=False)
        whole = pd.factorize(whole * len(values) + codes)[0].astype(np.int64)
    return whole


def comparison_groups(sweeps: SweepSet) -> list[tuple[NDArray[np.int64], NDArray[np.int64]]]:
    """Sweeps that are judged together, and those they are compared with (at least as many).

    Parameters
    ----------
    sweeps : SweepSet
    """
    columns = [c for c in GROUP if c in sweeps.table]
    fewer = [c for c in columns if c != "day"]  # than at the site: that day; then all days; then both directions
    codes = [group_codes(sweeps.table, some) for some in (columns, columns[:-1], fewer[:-1], fewer[:-2])]
    rows = [rows_of_codes(c) for c in codes]
    groups = []
    for members in rows[0]:
        choices = [of_code[c[members[0]]] for of_code, c in zip(rows, codes, strict=True)]
        reference = next((c for c in choices if c.size >= FEW), choices[-1])
        groups.append((members, reference))
    return groups


def rows_of_codes(codes: NDArray[np.int64]) -> list[NDArray[np.int64]]:
    """The rows of each code, ascending; looked for one code after the other, they take the square of the time.

    Parameters
    ----------
    codes : numpy.ndarray of int, shape (m,)
        From 0 on, none left out.
    """
    ordered = np.argsort(codes, kind="stable")
    return np.split(ordered, np.cumsum(np.bincount(codes))[:-1])


def _plain(value: Any) -> Any:
    return value.item() if isinstance(value, np.generic) else value


def common_value(column: pd.Series) -> float:
    """Mean of a column whose values are all known and agree within 10 %, else NaN.

    Parameters
    ----------
    column : pandas.Series
        Numbers, NaN where unknown.
    """
    values = column.to_numpy(float)
    if not np.isfinite(values).all() or np.ptp(values) > 0.1 * abs(values.mean()):
        return float("nan")
    return float(values.mean())


@dataclass(frozen=True, eq=False)
class Filled:
    """Sweeps without holes, on the points at which at least one sweep was good."""

    points: NDArray[np.bool_]  # (n,) points kept
    current: Array  # (m, k) on the points kept, missing samples replaced by the group's curve at the sweep's level
    whole: NDArray[np.bool_]  # (k,) points at which no sweep was filled in


def fill_missing(current: Array) -> Filled:
    """Replace missing samples (NaN) of a sweep by the median curve of the group, scaled to the sweep.

    Without it the mean would step where one sweep drops out. Points at which every sweep is missing are left out.

    Parameters
    ----------
    current : numpy.ndarray, shape (m, n)
        Current [A]; NaN where a sample is missing.

    Raises
    ------
    ValueError
        If no sample is left at all.
    """
    there = np.isfinite(current)
    points: NDArray[np.bool_] = np.logical_or.reduce(there, axis=0)
    if not points.any():
        raise ValueError("No usable sample is left in these sweeps: all are missing or saturated.")
    kept, good = current[:, points], there[:, points]
    whole: NDArray[np.bool_] = np.logical_and.reduce(good, axis=0)
    if whole.all():
        return Filled(points, kept, whole)
    # Levels from the points that all sweeps have, where there are enough: elsewhere the median is that of fewer sweeps.
    shared = whole if whole.sum() >= 5 else np.ones(whole.size, bool)
    level = _levels(kept, median_known(kept), good & shared)
    middle = median_known(kept / level[:, None])
    return Filled(points, np.where(good, kept, level[:, None] * middle), whole)


def _levels(current: Array, curve: Array, use: NDArray[np.bool_]) -> Array:
    """Least-squares factor of each row relative to `curve` over the samples in use; 1 where it has no sign."""
    top = np.where(use, current * curve, 0.0).sum(axis=1)
    bottom = np.where(use, curve**2, 0.0).sum(axis=1)
    level = np.divide(top, bottom, out=np.ones(len(current)), where=bottom > 0)
    return np.asarray(np.where(level > 0, level, 1.0))


def unit_means(rows: Array, codes: NDArray[np.int64]) -> Array:
    """Mean of the rows of each code, shape (number of codes, n).

    Parameters
    ----------
    rows : numpy.ndarray, shape (m, n)
        Curves.
    codes : numpy.ndarray of int, shape (m,)
        The unit that each is of.
    """
    count = int(codes.max()) + 1
    total = np.zeros((count, rows.shape[1]))
    np.add.at(total, codes, rows)
    means: Array = total / np.bincount(codes, minlength=count)[:, None]
    return means


@dataclass(frozen=True, eq=False)
class Average:
    """An average curve, and what each unit contributes to its error."""

    current: Array  # (n,)
    influence: Array  # (R, n) first-order contributions: their mean is the average, their scatter its uncertainty


def average_units(units: Array, kind: str, *, seed: int = 0) -> Average:
    """Mean, median or geometric mean over units (repeats, sites or tips).

    Parameters
    ----------
    units : numpy.ndarray, shape (R, n)
        Independent curves [A].
    kind : {'mean', 'median', 'geometric'}
        The geometric mean acts on |I| where all units are well above the noise and share a sign; elsewhere the
        units are brought to the geometric mean of their levels and then averaged, since a logarithm of noise is biased.
    seed : int
        Of the resampling behind the influence of the median.

    Raises
    ------
    ValueError
        If `kind` is unknown, or curves of a geometric mean run against each other.

    Notes
    -----
    For the mean the influence of a unit is the unit itself; for the geometric mean M(1 + ln(I_i/M)). The median is
    not smooth; its influence comes from 400 bootstrap samples (regression of the resampled median on how often each
    unit was drawn), scaled so that its scatter returns the variance of R. M. Price and D. G. Bonett, J. Stat. Comput.
    Simul. 68, 295 (2001), since that of the bootstrap is 15 % too large in standard deviation for 25 units.
    """
    if kind == "mean" or len(units) < 2:
        return Average(units.mean(axis=0), units)
    if kind == "median":
        return _median(units, seed)
    if kind != "geometric":
        raise ValueError(f"average is '{kind}'; it must be 'mean', 'median' or 'geometric'.")
    mean = units.mean(axis=0)
    level = units @ mean / float(mean @ mean)
    if np.any(level <= 0):
        raise ValueError(
            "A geometric mean needs sweeps of one sign; one of these runs against the others. Use the mean or median."
        )
    centre = np.exp(np.mean(np.log(level)))
    clear = (np.abs(units).min(axis=0) > 10 * np.nanmax(noise_level(units))) & (
        np.abs(np.sign(units).sum(axis=0)) == len(units)
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        logs = np.log(np.abs(units))
        geometric = np.sign(mean) * np.exp(logs.mean(axis=0))
        around = geometric * (1 + logs - logs.mean(axis=0))
    leveled = units / level[:, None] * centre
    near = leveled.mean(axis=0)
    shifted = leveled + near * (np.log(level) - np.log(centre))[:, None]
    return Average(np.where(clear, geometric, near), np.where(clear, around, shifted))


def _median(units: Array, seed: int) -> Average:
    count = len(units)
    centre = np.median(units, axis=0)
    draws = resampled_counts(count, 400, seed)
    order = np.argsort(units, axis=0)
    ranked = np.take_along_axis(units, order, axis=0)
    medians = np.empty((len(draws), units.shape[1]))
    for start in range(0, units.shape[1], 256):  # blocks of points, to bound the memory
        block = slice(start, start + 256)
        weight = np.cumsum(draws[:, order[:, block]], axis=1)  # (draws, R, points)
        low = np.argmax(2 * weight >= count, axis=1)
        high = np.argmax(2 * weight > count, axis=1)
        medians[:, block] = (
            np.take_along_axis(ranked[:, block], low, 0) + np.take_along_axis(ranked[:, block], high, 0)
        ) / 2
    moved = medians - medians.mean(axis=0)
    influence = draws.T @ moved / len(draws) * count  # Cov(n_i, n_j) = δ_ij - 1/R
    inner = max(round((count + 1) / 2 - np.sqrt(count)), 1)
    reach = -ndtri(at_most_heads(inner - 1, count))
    wanted = (ranked[-inner] - ranked[inner - 1]) / (2 * reach) * np.sqrt(count)
    have = influence.std(axis=0, ddof=1)
    scale = np.divide(wanted, have, out=np.zeros_like(wanted), where=have > 0)
    return Average(centre, centre + (influence - influence.mean(axis=0)) * scale)


def mean_to_median(units: Array) -> float:
    """Mean over median of |I|, the median over the points well above the noise; NaN if there are none.

    Scatter of the gap makes |I| log-normal, and pulls the mean above the median: 1.09 for 20 pm, 1.69 for 50 pm at
    4 eV; the law was found on graphite and gold by Severin et al. (2008).

    Parameters
    ----------
    units : numpy.ndarray, shape (r, n)
        Current of each unit [A].
    """
    if len(units) < 5:
        return float("nan")
    middle = np.median(units, axis=0)
    clear = np.abs(middle) > 10 * np.nanmedian(noise_level(units))
    return float(np.median(units.mean(axis=0)[clear] / middle[clear])) if clear.any() else float("nan")
