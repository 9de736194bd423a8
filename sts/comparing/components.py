"""Where the scatter comes from, and what more sites or more tips would bring."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd

from sts.comparing.random_effects import t_quantile
from sts.comparing.sites_and_tips import BARRIER_PER_NM2, SITE, TIP

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
        `COMPONENT_COLUMNS`, rows "tip", "site", "repeat". `share` is that of the total variance, `icc` the
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
    rows = rows if "day" in rows else rows.assign(day="")
    if rows.empty:
        raise ValueError("No repeat has a positive slope; look at the flags of the sweeps.")
    y = 2 * np.log(rows["decay_per_nm"].to_numpy(float))
    levels = [rows.groupby(keys, sort=False, dropna=False).ngroup().to_numpy() for keys in (["sample"], TIP, SITE)]
    variance, dof, _ = nested_variances(y, *levels)
    return _table(variance, dof, float(np.exp(_barrier_mean(y, levels[1]))), levels)


def nested_variances(
    y: np.ndarray, sample: np.ndarray, tip: np.ndarray, site: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Variances between tips, sites and repeats, uncut, with their degrees of freedom and mean squares, each (3,).

    Parameters
    ----------
    y : ndarray, shape (N,)
        Values, any unit.
    sample, tip, site : ndarray of int, shape (N,)
        Labels from 0 on; a site belongs to one tip, a tip to one sample.

    Returns
    -------
    (ndarray, ndarray, ndarray)
        NaN where a level has no degree of freedom.

    Notes
    -----
    See `variance_components`.
    """
    n, n_site, n_tip, n_sample = (
        len(y), np.bincount(site).astype(float), np.bincount(tip).astype(float), np.bincount(sample).astype(float),
    )  # fmt: skip
    y = y - y.mean()
    m_site, m_tip, m_sample = (np.bincount(g, weights=y) / np.bincount(g) for g in (site, tip, sample))
    squares = np.array([
        np.sum((m_tip[tip] - m_sample[sample]) ** 2),
        np.sum((m_site[site] - m_tip[tip]) ** 2),
        np.sum((y - m_site[site]) ** 2),
    ])  # fmt: skip
    dof = np.array([len(n_tip) - len(n_sample), len(n_site) - len(n_tip), n - len(n_site)], float)
    # Sums over the units of one level of n^2, divided by the size of the unit above (N/n is one row's share).
    in_tip = np.sum(n_site[site] / n_tip[tip])
    in_sample = np.sum(n_site[site] / n_sample[sample])
    tips_in_sample = np.sum(n_tip[tip] / n_sample[sample])
    with np.errstate(invalid="ignore", divide="ignore"):
        ms = squares / dof
        of_repeat = ms[2]
        of_site = (ms[1] - of_repeat) / ((n - in_tip) / dof[1])
        from_sites = (in_tip - in_sample) / dof[0]
        of_tip = (ms[0] - of_repeat - from_sites * of_site) / ((n - tips_in_sample) / dof[0])
    return np.array([of_tip, of_site, of_repeat]), dof, ms


def _table(variance: np.ndarray, dof: np.ndarray, barrier: float, levels: list[Any]) -> pd.DataFrame:
    known = dof > 0
    cut = np.where(known, np.maximum(variance, 0), np.nan)
    total = np.nansum(cut)
    sd = np.sqrt(cut)
    units = np.array([levels[1].max() + 1, levels[2].max() + 1, len(levels[0])])
    with np.errstate(invalid="ignore", divide="ignore"):
        share = cut / total if total > 0 else np.full(3, np.nan)
        icc = np.array([share[0], np.nansum(share[:2]) if known[1] else np.nan, np.nan])
    curves = len(levels[0]) / units
    notes = [
        "" if ok and v >= 0 else "estimate below 0, set to 0: no scatter seen beyond the level below" if ok
        else "cannot be estimated: no unit has two of the next level"
        for ok, v in zip(known, variance, strict=True)
    ]  # fmt: skip
    return pd.DataFrame(
        {
            "level": ["tip", "site", "repeat"],
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
        more = units_to_halve(sites, confidence=confidence)
        text = f"{name}: ±{half:.2g} eV from {sites} sites; {_more(more, 'site')} would halve it."
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
