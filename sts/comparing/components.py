"""Where the scatter comes from, and what more sites or more tips would bring."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd

from sts.comparing.random_effects import t_quantile
from sts.comparing.sites_and_tips import BARRIER_PER_NM2, SITE, TIP
from sts.sweeps import with_day

COMPONENT_COLUMNS = (
    "level", "sd_eV", "sd_percent", "share", "units", "dof", "icc", "curves_per_unit", "design_effect", "note",
)  # fmt: skip

_MOST = 1000  # sites or tips beyond which advice is not worth giving


def variance_components(repeats: pd.DataFrame) -> pd.DataFrame:
    """Scatter between tips, between the sites of a tip, and between the repeats at a site.

    Parameters
    ----------
    repeats : pandas.DataFrame
        As for `site_level`.

    Returns
    -------
    pandas.DataFrame
        `COMPONENT_COLUMNS`, rows "tip", "day" (where a tip has several), "site", "repeat". `share` is that of the total
        variance, `icc` the
        correlation of two repeats of the same unit (intraclass correlation), `design_effect` = 1 + (n - 1) icc: how
        many curves of such a unit are worth one independent curve. `sd_eV` holds at the geometric mean of the
        barriers.

    Raises
    ------
    ValueError
        If no repeat has a positive slope.

    Notes
    -----
    Nested analysis of variance of ln φ with unequal numbers: expected mean squares as in S. R. Searle, Linear Models
    (Wiley 1971), ch. 11, tips within samples. Negative estimates are set to 0 and said so.
    """
    rows = repeats[repeats["decay_per_nm"].to_numpy(float) > 0]
    if rows.empty:
        raise ValueError("No repeat has a positive slope; look at the flags of the sweeps.")
    rows = with_day(rows)
    y = 2 * np.log(rows["decay_per_nm"].to_numpy(float))
    several = (rows.groupby(TIP, dropna=False)["day"].nunique() > 1).any()
    names = ["tip", "day", "site", "repeat"] if several else ["tip", "site", "repeat"]
    keys = {"tip": TIP, "day": [*TIP, "day"], "site": SITE}
    groups = [["sample"], *(keys[name] for name in names[:-1])]
    levels = [rows.groupby(by, sort=False, dropna=False).ngroup().to_numpy() for by in groups]
    variance, dof, _ = nested_variances(y, *levels)
    return _table(variance, dof, float(np.exp(_barrier_mean(y, levels[1]))), levels, names)


def nested_variances(y: np.ndarray, *levels: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Variances of nested levels, uncut, with their degrees of freedom and mean squares, each (L,).

    Parameters
    ----------
    y : ndarray, shape (N,)
        Values, any unit.
    *levels : ndarray of int, shape (N,)
        L labels from 0 on, from the top (sample, tip, site): each unit belongs to one of the level above. The variances
        are those of the second level (between tips of a sample) down to the values themselves.

    Returns
    -------
    (ndarray, ndarray, ndarray)
        NaN where a level has no degree of freedom.

    Notes
    -----
    See `variance_components`.
    """
    y = y - y.mean()
    groups = [*levels, np.arange(len(y))]
    size = [np.bincount(g).astype(float)[g] for g in groups]  # of the unit that each value is in
    mean = [(np.bincount(g, weights=y) / np.bincount(g))[g] for g in groups]
    squares = np.array([np.sum((own - above) ** 2) for above, own in pairwise(mean)])
    dof = np.diff([float(g.max()) + 1 for g in groups])

    def weight(fine: int, coarse: int) -> float:
        """Sum over the units of `fine` of n², divided by the size of the unit of `coarse` that they are in."""
        return float(np.sum(size[fine] / size[coarse]))

    variance = np.full(len(dof), np.nan)
    with np.errstate(invalid="ignore", divide="ignore"):
        for i in reversed(range(1, len(groups))):
            below = sum((weight(j, i) - weight(j, i - 1)) * variance[j - 1] for j in range(i + 1, len(groups)))
            variance[i - 1] = (
                np.divide(squares[i - 1] - below, weight(i, i) - weight(i, i - 1)) if dof[i - 1] else np.nan
            )
        return variance, dof, squares / dof


def _table(variance: np.ndarray, dof: np.ndarray, barrier: float, levels: list[Any], names: list[str]) -> pd.DataFrame:
    known = dof > 0
    cut = np.where(known, np.maximum(variance, 0), np.nan)
    total = np.nansum(cut)
    sd = np.sqrt(cut)
    units = np.array([*(level.max() + 1 for level in levels[1:]), len(levels[0])])
    with np.errstate(invalid="ignore", divide="ignore"):
        share = cut / total if total > 0 else np.full(len(cut), np.nan)
    icc = np.where(known, np.nancumsum(share), np.nan)
    icc[-1] = np.nan
    curves = len(levels[0]) / units
    notes = [
        "" if ok and v >= 0 else "estimate below 0, set to 0: no scatter seen beyond the level below" if ok
        else "cannot be estimated: no unit has two of the next level"
        for ok, v in zip(known, variance, strict=True)
    ]  # fmt: skip
    return pd.DataFrame(
        {
            "level": names,
            "sd_eV": sd * barrier,
            "sd_percent": 100 * sd,
            "share": share,
            "units": units,
            "dof": dof,
            "icc": icc,
            "curves_per_unit": curves,
            "design_effect": 1 + (curves - 1) * icc,
            "note": notes,
        },
        columns=list(COMPONENT_COLUMNS),
    )


def _barrier_mean(y: np.ndarray, tip: np.ndarray) -> float:
    return math.log(BARRIER_PER_NM2) + float(np.mean(np.bincount(tip, weights=y) / np.bincount(tip)))


def _more(count: int | None, unit: str) -> str:
    return f"more than {_MOST} {unit}s" if count is None else f"{count} more {unit}{'' if count == 1 else 's'}"


def units_to_halve(count: int, *, confidence: float = 0.95) -> int | None:
    """How many more units halve the t interval of a mean; None beyond 1000.

    Parameters
    ----------
    count : int
        Units there are, 2 or more.
    confidence : float
        Level of the interval.

    Notes
    -----
    The scatter between units is taken to stay what it is, so that only their number and t count.
    """
    n = np.arange(count, _MOST + count)
    half = t_quantile(n - 1, confidence) / np.sqrt(n)
    enough = np.flatnonzero(half <= half[0] / 2)
    return int(enough[0]) if enough.size else None


def _gain_of_repeats(gain: float) -> str:
    """What more repeats at the same sites can do; `gain` is the share by which they could narrow the interval at most."""
    if gain < 0.05:
        return "More repeats at these sites would hardly narrow it."
    if gain > 0.5:
        return "Its sites agree within their noise: more repeats at them would narrow it, too."
    return f"More repeats at these sites would narrow it by {100 * gain:.0f} % at most."


def _gain_of_sites(row: dict[Any, Any]) -> float:
    """By how many percent sites without end would narrow the interval of a tip that was measured on several days."""
    day, days, sites = np.nan_to_num(row["between_day_sd_eV"]), row["days"], row["sites"]
    within = np.nan_to_num(math.hypot(row["between_site_sd_eV"], row["site_noise_eV"])) / math.sqrt(sites)
    whole = math.hypot(day / math.sqrt(days), within)
    return 100 * (1 - day / math.sqrt(days) / whole) if whole > 0 else 0.0


def advice(tips: pd.DataFrame, *, by: str = "", confidence: float = 0.95) -> tuple[str, ...]:
    """What would narrow the intervals most, with sizes, one sentence each.

    Parameters
    ----------
    tips : pandas.DataFrame
        Of `tip_level`.
    by : str
        Column of groups of tips, if these are compared.
    confidence : float
        Level of the intervals.

    Raises
    ------
    KeyError
        If `tips` lacks a column.
    """
    sentences = []
    for row in tips.to_dict("records"):
        name, sites = f"{row['tip']}" + (f" on {row['sample']}" if row["sample"] else ""), int(row["sites"])
        if sites < 2:
            sentences.append(f"{name}: one site; two more sites would give an interval and allow a test.")
            continue
        half = (row["barrier_high_eV"] - row["barrier_low_eV"]) / 2
        days = int(row.get("days", 1))
        unit, units = ("site", sites) if days < 2 else ("day", days)
        more = units_to_halve(units, confidence=confidence)
        text = f"{name}: ±{half:.2g} eV from {units} {unit}s; {_more(more, unit)} would halve it."
        if days > 1:
            sentences.append(
                f"{text} More sites on the same days would narrow it by {_gain_of_sites(row):.0f} % at most."
            )
            continue
        # Measuring each site without end leaves the scatter between sites.
        scatter, noise = row["between_site_sd_eV"], row["site_noise_eV"]
        gain = 1 - scatter / math.hypot(scatter, noise) if scatter + noise > 0 else 0.0
        sentences.append(f"{text} {_gain_of_repeats(gain)}")
        calibration = row["calibration_se_eV"]
        if calibration > row["barrier_se_eV"]:
            sentences.append(
                f"{name}: the height scale (±{calibration:.2g} eV, one standard uncertainty) weighs more than the "
                f"scatter (±{row['barrier_se_eV']:.2g} eV); a better height calibration comes first."
            )
    if by and by in tips:
        for group, rows in tips.groupby(by, sort=False):
            more = units_to_halve(max(len(rows), 2), confidence=confidence)
            sentences.append(
                f"{by} {group}: {len(rows)} tips; "
                + ("a second tip is needed for any interval." if len(rows) < 2
                   else f"{_more(more, 'tip')} would halve its interval; more sweeps with these tips would not.")
            )  # fmt: skip
    return tuple(sentences)
