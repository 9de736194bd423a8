"""From repeats to sites and from sites to tips: each level's scatter comes from the level below it.

Slopes are averaged, then squared: the mean of φ over scattered slopes reads high by the square of their relative
scatter (20 % scatter: +4 %).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from sts.comparing.averages import MEAN, barrier_of, from_logs, in_logs
from sts.comparing.calibration import Calibration
from sts.comparing.days import DayLevel, over_days
from sts.comparing.pooled_scatter import scatter_of_tips
from sts.comparing.random_effects import (
    Pooled,
    as_rows,
    half_interval,
    larger_scatter,
    pool_random_effects,
    stands_apart,
)
from sts.quantities import BARRIER_PER_DECAY_SQUARED
from sts.sweeps import with_day

REPEAT_COLUMNS = ("sample", "tip", "site", "repeat", "decay_per_nm", "decay_se_per_nm", "dof", "sweeps")
SITE_COLUMNS = (
    "sample", "tip", "day", "site", "sweeps", "barrier_eV", "barrier_se_eV", "barrier_low_eV", "barrier_high_eV",
    "between_site_sd_eV", "calibration_se_eV", "total_se_eV",
)  # fmt: skip
TIP_COLUMNS = ("sample", "tip", "sweeps", "sites", *SITE_COLUMNS[5:])
SITE_EXTRAS = (
    "decay_per_nm",
    "decay_se_per_nm",
    "decay_common_per_nm",
    "dof",
    "repeats",
    "repeat_sd_eV",
    "scatter_ratio",
    "note",
)
UNSTEADY = "repeats scatter more here than at the tip's other sites"  # a note of a site
TIP_EXTRAS = (
    "decay_per_nm", "decay_se_per_nm", "decay_common_per_nm", "dof", "repeats", "site_noise_eV", "scatter_dof", "note", "days",
    "between_day_sd_eV", "total_low_eV", "total_high_eV", "average",
)  # fmt: skip

TIP = ["sample", "tip"]
SITE = ["sample", "tip", "day", "site"]

BARRIER_PER_NM2 = BARRIER_PER_DECAY_SQUARED * 1e18  # hbar^2/8m [eV nm^2]


def site_level(
    repeats: pd.DataFrame, *, confidence: float = 0.95, calibration: Calibration | None = None, average: str = MEAN
) -> pd.DataFrame:
    """The barrier at each site from its repeats.

    Parameters
    ----------
    repeats : pandas.DataFrame
        One row a repeat: `REPEAT_COLUMNS`. `decay_per_nm` is |d ln I/dz| on the calibrated height scale, the mean of
        retract and approach; `decay_se_per_nm` its standard uncertainty from the fits (NaN if unknown), `dof` its
        degrees of freedom, `sweeps` the number of sweeps behind it, `day` (where there is one) the day: sites of
        one name on two days are two. Other columns are carried along where they have
        one value a site. Rows without a finite slope are left out.
    confidence : float
        Level of the intervals.
    calibration : Calibration, optional
        Only its uncertainty is used: the slopes are on its scale already. Where it is not given its uncertainty and the total
        are NaN in the result.
    average : str
        Of `AVERAGES`: "mean" of the slopes, or their "geometric mean" (the typical one where slopes scatter by a factor), of
        repeats here and of sites in `tip_level`.

    Returns
    -------
    pandas.DataFrame
        `SITE_COLUMNS`, then `SITE_EXTRAS`, then what was carried along. `between_site_sd_eV` is that of the tip.

    Raises
    ------
    ValueError
        If a column is missing, no slope is finite, or there is no such average.

    Notes
    -----
    The site's slope is the plain mean of its n slopes. Its uncertainty is the larger of what the fits' uncertainties
    make of that mean and of the observed scatter between repeats (`larger_scatter`). With the two to five repeats of
    practice one site's own scatter is worth little (n = 2: t = 12.7), so the ratio of observed to propagated variance
    is pooled over the sites of a tip, as ISO 5725-2 pools repeatability over cells. A site whose own ratio is too
    large for that (F test at 1 % over the tip's sites) keeps its own scatter and leaves the pool.
    """
    rows = _checked(repeats)
    rows, typical = in_logs(rows, _grouped(rows, TIP)[0], average)
    site, table = _grouped(rows, SITE)
    typical = typical[np.unique(site, return_index=True)[1]]
    slope, noise = rows["decay_per_nm"].to_numpy(float), rows["decay_se_per_nm"].to_numpy(float)
    n = np.bincount(site)
    mean = _sum(site, slope) / n
    squares = _sum(site, (slope - mean[site]) ** 2)
    variance = _sum(site, noise**2) / n  # mean variance of one repeat; NaN where any is unknown
    dof = _sum(site, noise**2) ** 2 / _sum(site, noise**4 / rows["dof"].to_numpy(float))

    table = table.assign(sweeps=_total(site, rows["sweeps"]))
    tip, _ = _grouped(table, TIP)
    # Where a variance is unknown somewhere at a tip, its sites are pooled as if all repeats were equally noisy.
    unknown = _sum(tip, ~np.isfinite(variance)) > 0
    unit = np.where(unknown[tip], 1.0, variance)
    pooled_ratio, pooled_dof = _pooled_ratio(tip, squares / unit, n - 1.0)
    se, se_dof = larger_scatter(
        np.sqrt(variance / n), dof, np.sqrt(pooled_ratio * unit / n), pooled_dof, confidence=confidence
    )
    with np.errstate(invalid="ignore", divide="ignore"):
        own_sd = np.where(n > 1, np.sqrt(squares / (n - 1)), np.nan)
        ratio = np.sqrt(pooled_ratio * unit / variance)

    common = _sum(site, rows["decay_common_per_nm"].to_numpy(float)) / n
    values = _barrier_columns(_Slope(mean, se, se_dof, common, typical), confidence, calibration)
    values["between_site_sd_eV"] = np.nan
    values["repeats"] = n
    values["repeat_sd_eV"] = 2 * BARRIER_PER_NM2 * np.abs(mean) * own_sd
    values["scatter_ratio"] = ratio
    values["note"] = _notes(
        len(n),
        {
            "one repeat a site at this tip: only the fit's own uncertainty is known": ~np.isfinite(pooled_ratio),
            UNSTEADY: (pooled_dof == n - 1) & (_sum(tip, n - 1.0)[tip] > n - 1),
            "fit uncertainty unknown: observed scatter only": unknown[tip],
        },
    )
    table = table.assign(**values)
    table = table.merge(_carried(rows, SITE), on=SITE, how="left")
    slopes = in_logs(table, tip, average)[0]
    pooled, variance = _pool_sites(slopes)[1], _known_variance(slopes, tip)
    between = _between_sites(slopes, tip, pooled, over_days(slopes, tip, variance, confidence=confidence))
    table["between_site_sd_eV"] = (2 * BARRIER_PER_NM2 * np.abs(pooled.mean) * np.sqrt(between))[tip]
    return table[[*SITE_COLUMNS, *SITE_EXTRAS, *_others(table, SITE_COLUMNS + SITE_EXTRAS)]]


def tip_level(
    sites: pd.DataFrame, *, confidence: float = 0.95, calibration: Calibration | None = None, average: str = MEAN
) -> pd.DataFrame:
    """The barrier of each tip from its sites, which are its replicates.

    Parameters
    ----------
    sites : pandas.DataFrame
        Of `site_level`.
    confidence, calibration, average
        As there.

    Returns
    -------
    pandas.DataFrame
        `TIP_COLUMNS`, then `TIP_EXTRAS`, then the columns with one value a tip. `site_noise_eV` is the root mean
        square of the sites' own uncertainties, `days` the number of days, `between_day_sd_eV` the standard deviation between
        them beyond what their sites make of it. A tip with one site gets its site's uncertainty and no interval: the
        scatter between sites is unknown.

    Raises
    ------
    ValueError
        If a site has no finite slope, or there is no such average.

    Notes
    -----
    Random effects over sites (`pool_random_effects`), none of which weighs more than the middle one by its repeats;
    uncertainty by `larger_scatter`. With two days or more the days are the replicates of a tip (`days.over_days`); with
    one the interval holds for that day: scatter from day to day is unknown.
    """
    own, tip = with_day(sites), _grouped(sites, TIP)[0]
    sites, typical = in_logs(own, tip, average)
    typical = typical[np.unique(tip, return_index=True)[1]]
    table, pooled = _pool_sites(sites)
    observed_se, observed_dof, together = scatter_of_tips(table["sample"], pooled, confidence=confidence)
    by_day = over_days(sites, tip, _known_variance(sites, tip), confidence=confidence)
    several = by_day.days > 1
    together = np.where(several, np.where(by_day.shared, by_day.dof, np.inf), together)
    se, dof = larger_scatter(
        pooled.propagated_se, pooled.propagated_dof, observed_se, observed_dof, confidence=confidence
    )
    mean, se, dof = (
        np.where(several, *two) for two in ((by_day.mean, pooled.mean), (by_day.se, se), (by_day.dof, dof))
    )
    single = pooled.count < 2
    common = _sum(tip, sites["decay_common_per_nm"].to_numpy(float)) / pooled.count
    values = _barrier_columns(_Slope(mean, se, np.where(single, np.nan, dof), common, typical), confidence, calibration)
    scale = 2 * BARRIER_PER_NM2 * np.abs(mean)
    values["average"] = np.where(np.isnan(typical), MEAN, average)
    values["between_site_sd_eV"] = scale * np.sqrt(_between_sites(sites, tip, pooled, by_day))
    values["days"], values["between_day_sd_eV"] = by_day.days, scale * by_day.day_sd
    values["site_noise_eV"] = scale * np.sqrt(_sum(tip, sites["decay_se_per_nm"].to_numpy(float) ** 2) / pooled.count)
    values["scatter_dof"] = together
    values["total_low_eV"] = values["total_high_eV"] = np.nan  # until `with_total_interval` knows the scales
    values["note"] = _notes(
        len(se),
        {
            "one site: the scatter between sites is unknown, so there is no interval": single,
            "two sites: the interval is wide because the scatter rests on one difference": (pooled.count == 2)
            & np.isinf(together)
            & ~several,
            "two days: the interval is wide because the scatter from day to day rests on one difference": (
                by_day.days == 2
            )
            & ~by_day.shared,
            "two days: the scatter from day to day is taken together with that of the other tips of these days": by_day.shared,
            "one day: scatter from day to day is unknown": (by_day.days == 1) & ~single,
            "below 1 eV: not a work function; usual only in air": values["barrier_eV"] < 1,
            "mean of slopes: one that is not positive has no logarithm": np.isnan(typical) & (average != MEAN),
        },
    )
    table = table.assign(**values)
    table = table.merge(_carried(own, TIP), on=TIP, how="left")
    return table[[*TIP_COLUMNS, *TIP_EXTRAS, *_others(table, TIP_COLUMNS + TIP_EXTRAS)]]


def _checked(repeats: pd.DataFrame) -> pd.DataFrame:
    missing = [c for c in REPEAT_COLUMNS if c not in repeats]
    if missing:
        raise ValueError(
            f"The table of repeats has no column {', '.join(missing)}; it needs {', '.join(REPEAT_COLUMNS)}."
        )
    rows: pd.DataFrame = repeats[np.isfinite(repeats["decay_per_nm"].to_numpy(float))].reset_index(drop=True)
    if rows.empty:
        raise ValueError("No repeat has a fitted slope; look at the flags of the sweeps, and keep some of them.")
    noise, dof = rows["decay_se_per_nm"].to_numpy(float), rows["dof"].to_numpy(float)
    common = rows.get("decay_common_per_nm", 0.0)
    return with_day(rows).assign(
        decay_se_per_nm=np.where(noise > 0, noise, np.nan),
        dof=np.where(dof > 0, dof, np.inf),
        decay_common_per_nm=common,
    )


def _pooled_ratio(tip: np.ndarray, chi2: np.ndarray, dof: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Observed over propagated variance at each site, pooled over the tip's sites but for the odd ones."""
    sites = _sum(tip, dof > 0)[tip]
    odd = stands_apart(chi2, dof, (_sum(tip, chi2)[tip] - chi2, _sum(tip, dof)[tip] - dof), sites)
    with np.errstate(invalid="ignore", divide="ignore"):
        pool_chi2, pool_dof = _sum(tip, np.where(odd, 0, chi2))[tip], _sum(tip, np.where(odd, 0, dof))[tip]
        own = odd | (pool_dof == 0)
        return np.where(own, chi2 / dof, pool_chi2 / pool_dof), np.where(own, dof, pool_dof)


def _pool_sites(sites: pd.DataFrame) -> tuple[pd.DataFrame, Pooled]:
    row, table = _grouped(sites, TIP)
    table = table.assign(
        sweeps=_total(row, sites["sweeps"]), sites=np.bincount(row), repeats=_total(row, sites["repeats"])
    )
    values = (sites["decay_per_nm"], _known_variance(sites, row), sites["dof"])
    return table, pool_random_effects(*(as_rows(part, row) for part in values), level=True)


def _between_sites(sites: pd.DataFrame, tip: np.ndarray, pooled: Pooled, by_day: DayLevel) -> np.ndarray:
    """Variance between the sites of a tip beyond their own, within its days where there are several."""
    noise = _sum(tip, _known_variance(sites, tip)) / pooled.count
    return np.where(by_day.days > 1, np.maximum(by_day.site_sd**2 - noise, 0.0), pooled.tau2)


def _known_variance(sites: pd.DataFrame, tip: np.ndarray) -> np.ndarray:
    """Squared uncertainties; where one is unknown, the largest of the tip, and a nominal one if it has none."""
    variance = sites["decay_se_per_nm"].to_numpy(float) ** 2
    largest = pd.Series(variance).groupby(tip).transform("max").to_numpy(float)
    nominal = (1e-6 * np.abs(sites["decay_per_nm"].to_numpy(float))) ** 2 + np.finfo(float).tiny
    variance = np.where(np.isfinite(variance), variance, largest)
    return np.where(np.isfinite(variance) & (variance > 0), variance, nominal)


@dataclass(frozen=True, eq=False)
class _Slope:
    """Slopes of sites or tips [1/nm], (k,) each."""

    value: np.ndarray
    se: np.ndarray  # of what differs between repeats
    dof: np.ndarray
    common: np.ndarray  # change with one standard uncertainty of the bench's offset, which all repeats share
    typical: np.ndarray  # of `in_logs`, on whose scale all of this is


def _barrier_columns(slope: _Slope, confidence: float, calibration: Calibration | None) -> dict[str, Any]:
    half = half_interval(slope.se, slope.dof, slope.common, confidence=confidence)
    low, value, high = (from_logs(y, slope.typical) for y in (slope.value - half, slope.value, slope.value + half))
    stretch = np.where(np.isnan(slope.typical), 1.0, value / slope.typical)
    own_se, common = slope.se * stretch, slope.common * stretch
    barrier = barrier_of(value)
    barrier_se = 2 * BARRIER_PER_NM2 * np.abs(value) * np.hypot(own_se, common)
    calibration_se = np.full_like(barrier, np.nan) if calibration is None else calibration.barrier_se(barrier)
    return {
        "barrier_eV": barrier,
        "barrier_se_eV": barrier_se,
        "barrier_low_eV": barrier_of(low),
        "barrier_high_eV": barrier_of(high),
        "calibration_se_eV": calibration_se,
        "total_se_eV": np.hypot(barrier_se, calibration_se),  # without a known scale there is no total
        "decay_per_nm": value,
        "decay_se_per_nm": own_se,
        "decay_common_per_nm": common,
        "dof": slope.dof,
    }


def _notes(rows: int, conditions: dict[str, Any]) -> list[str]:
    marks = [(text, np.broadcast_to(np.asarray(mask, bool), rows)) for text, mask in conditions.items()]
    return ["; ".join(text for text, mask in marks if mask[i]) for i in range(rows)]


def _carried(rows: pd.DataFrame, keys: list[str]) -> pd.DataFrame:
    """The user's own columns that have one value in each group; names that the results use themselves are ours."""
    taken = {*REPEAT_COLUMNS, *SITE_COLUMNS, *SITE_EXTRAS, *TIP_COLUMNS, *TIP_EXTRAS, "flags"}
    columns = [c for c in rows.columns if c not in taken]
    group, first = _grouped(rows, [*keys, *columns], only=keys)
    constant = [c for c in columns if len(set(zip(group, pd.factorize(rows[c])[0], strict=True))) == len(first)]
    return first[[*keys, *constant]]


def _others(table: pd.DataFrame, known: tuple[str, ...]) -> list[str]:
    return [c for c in table.columns if c not in known]


def _grouped(
    rows: pd.DataFrame, columns: list[str], *, only: list[str] | None = None
) -> tuple[np.ndarray, pd.DataFrame]:
    """The group of each row by `only` (all columns if not given), in order of appearance, and the first row of each group."""
    group = rows.groupby(only or columns, sort=False, dropna=False).ngroup().to_numpy()
    return group, rows[columns].iloc[np.unique(group, return_index=True)[1]].reset_index(drop=True)


def _total(group: np.ndarray, counts: pd.Series) -> np.ndarray:
    """Sums of whole numbers by group."""
    return _sum(group, counts.to_numpy(float)).astype(np.int64)


def _sum(group: np.ndarray, values: np.ndarray) -> np.ndarray:
    return np.bincount(group, weights=np.asarray(values, float))
