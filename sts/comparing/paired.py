"""Before and after: a tip against itself in another state, paired by site where sites were revisited, else by tip."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd

from sts.comparing.averages import MEAN
from sts.comparing.calibration import Calibration
from sts.comparing.pairs import FEWEST, unequal_dof
from sts.comparing.power import smallest_seen
from sts.comparing.random_effects import Pooled, half_interval, pool_random_effects, t_quantile
from sts.comparing.sites_and_tips import TIP, TIP_COLUMNS, site_level, tip_level
from sts.curves.distributions import student_above
from sts.sweeps import with_day

CHANGE_COLUMNS = (
    "sample", "tip", "state_a", "state_b", "ratio", "ratio_low", "ratio_high", "p_adjusted", "verdict", "units", "dof",
    "seen_from_percent",
)  # fmt: skip
CHANGE_EXTRAS = ("paired_by", "pairs", "sites_a", "sites_b")
STATE_COLUMNS = ("sample", "tip", "state", *TIP_COLUMNS[2:])
ALL_TIPS = "all tips"
NOT_TOLD = "is not told from the change"  # in the notes about what else came with a state
DAY = "day"
ORDER = "order"  # column of the repeats: their place in the order of measurement, where that is known


@dataclass(frozen=True, eq=False)
class StateComparison:
    """States of tips side by side, and how much each tip, and all together, changed from one to the other.

    Attributes
    ----------
    by : str
        The column.
    states : tuple[str, ...]
        In the order of measurement.
    tips : pandas.DataFrame
        STATE_COLUMNS: the barrier of each tip in each state.
    changes : pandas.DataFrame
        CHANGE_COLUMNS, then CHANGE_EXTRAS: one row per tip and two states, then one for all tips.
    notes : tuple[str, ...]
        Who was left out, and what the states cannot be told from.
    """

    by: str
    states: tuple[str, ...]
    tips: pd.DataFrame
    changes: pd.DataFrame
    notes: tuple[str, ...]


def state_words(column: pd.Series) -> pd.Series:
    """A column of states as words; "" where nothing is said.

    Parameters
    ----------
    column : pandas.Series
        Text or numbers.
    """
    said = column.map(lambda value: f"{value:g}" if isinstance(value, (int, float)) else str(value).strip())
    return said.where(column.notna(), "")


def compare_states(
    repeats: pd.DataFrame,
    by: str,
    *,
    confidence: float = 0.95,
    calibration: Calibration | None = None,
    average: str = MEAN,
) -> StateComparison:
    """Compare states of the same tips: before and after a pulse, a cut, a cleaning.

    Parameters
    ----------
    repeats : pandas.DataFrame
        As for `site_level`, with the column `by`; rows without an entry there are left out. A column `order` (place in the
        order of measurement) puts the states in order; else they are in order of appearance.
    by : str
        Column with the state of the tip.
    confidence : float
        Level of the intervals: those of all tips hold together, and so do those of all pairs of states for all tips.
    calibration : Calibration, optional
        Of the height scale: for the barriers of each state; it cancels in the ratios.
    average : str
        As for `site_level`.

    Returns
    -------
    StateComparison
        `ratio` is φ in `state_b` over φ in `state_a`, `state_a` being the one measured first. `seen_from_percent`: a rise of
        the barrier by so much would be shown in nine of ten sessions with this scatter.

    Raises
    ------
    ValueError
        If no tip was measured in two states.

    Notes
    -----
    Within a tip: where three sites or more (or all sites of a state) were revisited, differences of ln φ at each such site,
    Student's t over sites; else the means of the sites of both states, degrees of freedom by `unequal_dof`. Over tips:
    random effects of the tips' ln ratios with Student's t over tips (J. Hartung, G. Knapp, Stat. Med. 20, 3875, 2001),
    weights by the number of sites and the scatter within tips, pooled. Level for m comparisons: 1 - (1 - α)^(1/m), Z. Šidák,
    J. Am. Stat. Assoc. 62, 626 (1967). What all repeats of a bench share counts by what is left of it in the ratio. Studied
    in scripts/studies/before_after.py.

    Examples
    --------
    >>> rows = [("a", state, site, 20.0 + site + (state == "after"))
    ...         for state in ("before", "after") for site in (0, 1, 2)]
    >>> repeats = pd.DataFrame(rows, columns=["tip", "state", "site", "decay_per_nm"]).assign(
    ...     sample="gold", repeat=1.0, decay_se_per_nm=0.1, dof=50.0, sweeps=2)
    >>> compare_states(repeats, "state").changes[["state_a", "state_b", "ratio", "units"]].round(2).values.tolist()
    [['before', 'after', 1.1, '3 sites revisited']]
    """
    rows, states = _in_order(repeats, by)
    sites = site_level(rows, confidence=confidence, calibration=calibration, average=average)
    tips = tip_level(sites, confidence=confidence, calibration=calibration, average=average)
    tips["state"] = [states[k] for k in tips["_state"]]
    place = tips.groupby(["sample", "_tip"], sort=False).ngroup()
    tips = tips.assign(tip=tips["_tip"], _place=place).sort_values(["_place", "_state"], kind="stable")
    each = _of_each_tip(sites, confidence)
    if each.empty:
        raise ValueError(
            f"No tip was measured in two states of '{by}' on the same sample: there are {_who_has_what(tips)}."
        )
    judged = [_judged(rows, confidence) for rows in (each, _of_all_tips(each)) if len(rows)]
    changes = pd.concat(judged, ignore_index=True)
    for side in "ab":
        changes[f"state_{side}"] = [states[k] for k in changes[f"state_{side}"]]
    return StateComparison(
        by, tuple(states), tips[list(STATE_COLUMNS)].reset_index(drop=True), changes[[*CHANGE_COLUMNS, *CHANGE_EXTRAS]],
        (*_left_out(tips), *(_not_told_apart(rows, each, states) if by != DAY else ())),
    )  # fmt: skip


def _in_order(repeats: pd.DataFrame, by: str) -> tuple[pd.DataFrame, list[str]]:
    """Repeats with a state, and the states in order of measurement. Each tip in each state is then a tip of its own."""
    said = state_words(repeats[by])
    there = (said != "") & (repeats["decay_per_nm"].to_numpy(float) > 0)
    rows = repeats[there].reset_index(drop=True)
    said = said[there].reset_index(drop=True)
    place = rows[ORDER] if ORDER in rows else pd.Series(np.arange(len(rows), dtype=float))
    # Within tips: a tip that was used in one state only, early or late, says nothing of their order.
    tips = [rows["sample"], rows["tip"]]
    middle = place.groupby([*tips, said]).transform("median")
    since = middle - middle.groupby(tips).transform("median")
    several = said.groupby(tips).transform("nunique") > 1
    ranks = since.where(several).groupby(said).mean().fillna(np.inf)
    states = [str(state) for state in ranks.sort_values(kind="stable").index]
    number = said.map({state: k for k, state in enumerate(states)})
    tip = rows["tip"].astype(str)
    rows = rows if by == DAY else rows.drop(columns=by)
    rows = rows.assign(tip=tip + "\n" + number.astype(str), _tip=tip, _state=number, _place=place)
    return rows, states


def _who_has_what(tips: pd.DataFrame) -> str:
    named = [f"{tip} ({', '.join(rows['state'])})" for tip, rows in tips.groupby("_tip", sort=False)]
    return ", ".join(named[:6]) + (f" and {len(named) - 6} more" if len(named) > 6 else "")


def _groups(table: pd.DataFrame, columns: list[str]) -> list[tuple[Any, np.ndarray]]:
    """The rows of each group by their places, in order of appearance."""
    found: Any = table.groupby(columns, sort=False, dropna=False).indices
    return list(found.items())


def _of_each_tip(sites: pd.DataFrame, confidence: float) -> pd.DataFrame:
    """ln ratio of the barriers of each tip for each two of its states, with the uncertainty from its sites."""
    slope = sites["decay_per_nm"].to_numpy(float)
    with np.errstate(invalid="ignore"):
        noise = 4 * (sites["decay_se_per_nm"].to_numpy(float) / slope) ** 2
    largest = pd.Series(noise).groupby([sites[c] for c in TIP]).transform("max").to_numpy(float)
    noise = np.where(np.isfinite(noise), noise, largest)  # a site of one repeat without a stated uncertainty
    noise = np.where(np.isfinite(noise) & (noise > 0), noise, 1e-12)
    shared = 2 * sites["decay_common_per_nm"].to_numpy(float) / slope
    values = np.stack([2 * np.log(slope), noise, shared])
    names = (sites["day"].astype(str) + "\n" + sites["site"].astype(str)).to_numpy(
        object
    )  # on another day it is another place
    state = sites["_state"].to_numpy(int)
    rows: list[dict[str, Any]] = []
    groups: list[np.ndarray] = []  # (3, k) each: ln ratios or ln φ of sites, their variances, and what is shared
    for (sample, tip), here in _groups(sites, ["sample", "_tip"]):
        of_state = {k: here[state[here] == k] for k in sorted(set(state[here]))}
        for a, b in combinations(of_state, 2):
            first, second = (values[:, of_state[k]] for k in (a, b))
            _, i, j = np.intersect1d(names[of_state[a]], names[of_state[b]], return_indices=True)
            fewest = min(first.shape[1], second.shape[1])
            by_site = len(i) >= min(fewest, FEWEST)
            if by_site:
                groups.append(
                    np.stack([second[0, j] - first[0, i], first[1, i] + second[1, j], second[2, j] - first[2, i]])
                )
            else:
                groups += [first, second]
            rows.append({
                "sample": sample, "tip": tip, "state_a": a, "state_b": b, "paired_by": "site" if by_site else "tip",
                "pairs": len(i), "sites_a": first.shape[1], "sites_b": second.shape[1], "_group": len(groups) - 1,
            })  # fmt: skip
    table = pd.DataFrame(rows)
    return table if table.empty else table.assign(**_within_tips(table, groups, confidence))


def _within_tips(table: pd.DataFrame, groups: list[np.ndarray], confidence: float) -> dict[str, Any]:
    """ln ratio, uncertainty, degrees of freedom, what is shared, and how sure each is for its number of sites."""
    pooled, shared = _pool(groups)
    last = table["_group"].to_numpy(int)
    by_site = (table["paired_by"] == "site").to_numpy(bool)
    before = np.where(by_site, last, last - 1)
    n = np.stack([pooled.count[last], pooled.count[before]]).astype(float)
    variance = np.stack([pooled.observed_se[last], pooled.observed_se[before]]) ** 2
    own = np.where(by_site, variance[0], variance.sum(axis=0))
    z = np.asarray(t_quantile(np.inf, _level_of_each(table, own, confidence)))
    with np.errstate(invalid="ignore", divide="ignore"):
        both = unequal_dof(variance, n - 1, n, z)
    # Scatter of one site (one pair of sites), pooled over tips of the same sample: what their numbers are worth as weights.
    kind = [table[c] for c in ("sample", "state_a", "state_b", "paired_by")]
    squares, dof = (np.where(by_site, x[0], x.sum(axis=0)) for x in (np.nan_to_num(variance * n) * (n - 1), n - 1))
    squares, dof = (pd.Series(x).groupby(kind).transform("sum").to_numpy(float) for x in (squares, dof))
    with np.errstate(invalid="ignore", divide="ignore"):
        scatter = np.where(dof > 0, squares / dof, np.nan)
    scatter = np.where(np.isfinite(scatter) & (scatter > 0), scatter, np.nanmax(np.append(scatter, 1e-12)))
    return {
        "ln_ratio": pooled.mean[last] - np.where(by_site, 0.0, pooled.mean[before]),
        "se": np.sqrt(own),
        "dof": np.where(np.isfinite(own), np.where(by_site, n[0] - 1, both), np.nan),
        "shared": shared[last] - np.where(by_site, 0.0, shared[before]),
        "weight_variance": scatter * np.where(by_site, 1 / n[0], (1 / n).sum(axis=0)),
        "enough": np.where(by_site, n[0], n.min(axis=0)) >= FEWEST,
        "units": [_units(row) for row in table.to_dict("records")],
    }


def _units(row: dict[Any, Any]) -> str:
    """What was paired, in words."""
    if row["paired_by"] == "site":
        return f"{row['pairs']} site{'s' * (row['pairs'] != 1)} revisited"
    again = f"{row['pairs']} revisited" if row["pairs"] else "none revisited"
    return f"{row['sites_a']} and {row['sites_b']} sites, {again}"


def _pool(groups: list[np.ndarray]) -> tuple[Pooled, np.ndarray]:
    """Random-effects means of groups (3, k) of values, variances and what is shared; and the mean of the last."""
    padded = np.full((3, len(groups), max(g.shape[1] for g in groups)), np.nan)
    for row, group in enumerate(groups):
        padded[:, row, : group.shape[1]] = group
    pooled = pool_random_effects(padded[0], padded[1], level=True)
    return pooled, np.asarray((pooled.weights * np.nan_to_num(padded[2])).sum(axis=1))


def _of_all_tips(each: pd.DataFrame) -> pd.DataFrame:
    """ln ratio over the tips of a sample, where there are two tips or more; tips are its replicates."""
    rows: list[dict[str, Any]] = []
    groups = []
    about = each[["ln_ratio", "weight_variance", "shared"]].to_numpy(float).T
    counts = each[["sites_a", "sites_b"]].to_numpy(int)
    for (sample, a, b), own in _groups(each, ["sample", "state_a", "state_b"]):
        if len(own) > 1:
            groups.append(about[:, own])
            sites_a, sites_b = counts[own].sum(axis=0)
            rows.append({
                "sample": sample, "tip": ALL_TIPS, "state_a": a, "state_b": b, "paired_by": "tip", "pairs": len(own),
                "sites_a": sites_a, "sites_b": sites_b, "units": f"{len(own)} tips", "enough": len(own) >= FEWEST,
            })  # fmt: skip
    if not rows:
        return each.iloc[:0]
    pooled, shared = _pool(groups)
    return pd.DataFrame(rows).assign(
        ln_ratio=pooled.mean, se=pooled.observed_se, dof=pooled.observed_dof, shared=shared
    )


def _level_of_each(rows: pd.DataFrame, se: np.ndarray, confidence: float) -> np.ndarray:
    """The level of each interval with which all of a sample hold together."""
    known = pd.Series(np.isfinite(se)).groupby(rows["sample"].to_numpy(), dropna=False)
    return np.asarray(confidence ** (1 / np.maximum(known.transform("sum").to_numpy(float), 1)))


def _judged(rows: pd.DataFrame, confidence: float) -> pd.DataFrame:
    """Interval, p value, verdict, and what could have been seen; together for all rows of a sample."""
    each = _level_of_each(rows, rows["se"].to_numpy(float), confidence)
    family = np.log(confidence) / np.log(each)
    value, own, dof, shared = (rows[c].to_numpy(float) for c in ("ln_ratio", "se", "dof", "shared"))
    half = np.asarray(half_interval(own, dof, np.abs(shared), confidence=each))
    with np.errstate(invalid="ignore", divide="ignore"):
        total = np.hypot(own, shared)
        ways = ((own, dof), (total, dof * (total / own) ** 4))  # what is shared narrows nothing (`half_interval`)
        p = np.max(np.stack([2 * student_above(np.abs(value) / se, nu) for se, nu in ways]), axis=0)
        p = -np.expm1(family * np.log1p(-np.minimum(p, 1 - 1e-16)))
        # The interval as if it were of Student's t with its degrees of freedom: half / quantile is then its uncertainty.
        se = half / t_quantile(dof, each)
        seen = np.array([smallest_seen(*pair) for pair in zip(dof, each, strict=True)]) * se
    enough = rows["enough"].to_numpy(bool) & np.isfinite(p)
    few = "too few tips" if rows["tip"].iloc[0] == ALL_TIPS else "too few sites"
    verdict = np.where(p < 1 - confidence, "differ", "no difference shown")
    return rows.assign(
        ratio=np.exp(value), ratio_low=np.exp(value - half), ratio_high=np.exp(value + half),
        p_adjusted=np.where(enough, p, np.nan), verdict=np.where(enough, verdict, few),
        seen_from_percent=100 * np.expm1(seen),
    )  # fmt: skip


def _left_out(tips: pd.DataFrame) -> list[str]:
    """Tips with one state only, named."""
    single = tips.groupby(["sample", "_tip"], sort=False, dropna=False)["state"].transform("size") == 1
    alone = [f"{tip} ({state})" for tip, state in zip(tips.loc[single, "_tip"], tips.loc[single, "state"], strict=True)]
    more = f" and {len(alone) - 6} more" if len(alone) > 6 else ""
    return [f"Left out, measured in one state only: {', '.join(alone[:6])}{more}."] if alone else []


def _not_told_apart(rows: pd.DataFrame, each: pd.DataFrame, states: list[str]) -> list[str]:
    """Where one state always came first: what else changes with time is not told from the change."""
    timed = ORDER in rows
    days = with_day(rows).groupby(["sample", "_tip", "_state"])[DAY].agg(set).to_dict()
    ends = rows.groupby(["sample", "_tip", "_state"])["_place"].agg(["min", "max"])
    first, last = (ends[side].to_dict() for side in ("min", "max"))
    said = []
    for (a, b), own in _groups(each, ["state_a", "state_b"]):
        tips = list(zip(each["sample"].iloc[own], each["tip"].iloc[own], strict=True))
        if all(days[(*tip, a)].isdisjoint(days[(*tip, b)]) for tip in tips):
            said.append(
                f"'{states[a]}' and '{states[b]}' were measured on different days: what a day changes {NOT_TOLD}."
            )
        elif timed and all(last[(*tip, a)] < first[(*tip, b)] for tip in tips):
            said.append(
                f"'{states[a]}' was always measured ahead of '{states[b]}': a drift {NOT_TOLD}. A tip "
                f"left alone for as long, or '{states[a]}' once more, would tell."
            )
    return said
