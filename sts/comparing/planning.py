"""How many sites and repeats the next session needs to tell a difference, from the scatter that a session showed.

The scatter seen is itself uncertain. Power is averaged over what it may be, so that a promise of 90 % holds on average.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
import pandas as pd
from scipy.interpolate import CubicSpline
from scipy.special import ndtri

from sts.comparing.paired import state_words
from sts.comparing.pairs import FEWEST, unequal_dof
from sts.comparing.random_effects import t_quantile
from sts.comparing.sites_and_tips import SITE, TIP
from sts.curves.distributions import chi2_quantile, f_quantile
from sts.sweeps import with_day

OPTION_COLUMNS = ("repeats", "sites", "minutes", "power_percent", "sites_if_known", "cheapest")
MINUTES_PER_REPEAT, MINUTES_PER_SITE = 1.0, 5.0  # common practice, no source
MOST_SITES = 200  # of one tip; more is no plan
MOST_REPEATS = (1, 2, 3, 4, 6, 8, 12)
POOR = 2.5  # times as many sites as known scatter would need: then nothing is promised

_NODES = (np.arange(48) + 0.5) / 48
_REACH = np.linspace(0.0, 15.0, 76)  # differences in their standard deviation, between which power is interpolated


@dataclass(frozen=True)
class SiteScatter:
    """Scatter of ln φ between the sites of a tip, or of its change between pairs of sites, as a session showed it.

    Attributes
    ----------
    variance : float
        Of the mean of a site's repeats about its tip's mean (of the change at a site, about the tip's).
    dof : float
        Its degrees of freedom.
    repeats : float
        How many there were at a site (harmonic mean).
    repeat_variance, repeat_dof : float
        Of one repeat about its site's mean.
    paired : bool
        Whether it is that of changes at revisited sites.
    states : bool
        Whether states of a tip are compared, and not tips.
    """

    variance: float
    dof: float
    repeats: float
    repeat_variance: float
    repeat_dof: float
    paired: bool = False
    states: bool = False

    @property
    def units(self) -> str:
        """What is counted."""
        if self.paired:
            return "revisited sites"
        return "sites in each state" if self.states else "sites of each tip"

    def at(self, repeats: int, whole: Any = 1.0, of_repeats: Any = 1.0) -> Any:
        """The variance with another number of repeats.

        Parameters
        ----------
        repeats : int
            At each site (in each state).
        whole, of_repeats : array_like
            Factors of the two variances, where they are not as seen.
        """
        noise = self.repeat_variance * np.asarray(of_repeats) * (2 if self.paired else 1)
        return np.maximum(self.variance * np.asarray(whole) - noise / self.repeats, 0.0) + noise / repeats


@dataclass(frozen=True)
class Aim:
    """What the next session is to tell.

    Attributes
    ----------
    percent : float
        Difference of the barriers [%].
    power : float
        Chance to show it, 0 to 1.
    confidence : float
        Level of the test.
    minutes_per_repeat, minutes_per_site : float
        Time for one repeat (retract and approach), and to come to a new site [min].
    """

    percent: float = 5.0
    power: float = 0.9
    confidence: float = 0.95
    minutes_per_repeat: float = MINUTES_PER_REPEAT
    minutes_per_site: float = MINUTES_PER_SITE


@dataclass(frozen=True, eq=False)
class NextSession:
    """What would do, and what it costs.

    Attributes
    ----------
    scatter : SiteScatter
        What it rests on.
    aim : Aim
        What it is for.
    options : pandas.DataFrame
        OPTION_COLUMNS, one row per number of repeats: `sites` of each tip (pairs of sites if paired), `minutes` of both tips
        (both states), the power that is promised, and the sites that would do if the scatter were known to be as seen.
    promised : bool
        Whether the scatter is known well enough to promise the power.
    notes : tuple[str, ...]
        The answer in words.
    """

    scatter: SiteScatter
    aim: Aim
    options: pd.DataFrame
    promised: bool
    notes: tuple[str, ...]


def site_scatter(repeats: pd.DataFrame, *, by: str = "") -> SiteScatter:
    """The scatter between sites and between repeats, pooled over the tips of a session.

    Parameters
    ----------
    repeats : pandas.DataFrame
        As for `sts.comparing.site_level`.
    by : str
        Column with the state of the tip: then the scatter of changes from one state to another at revisited sites; where no
        tip has two of these, that between the sites of a state.

    Raises
    ------
    ValueError
        If no tip has two sites.
    """
    rows = repeats[repeats["decay_per_nm"].to_numpy(float) > 0].reset_index(drop=True)
    state = state_words(rows[by]) if by else pd.Series("", index=rows.index)
    rows = with_day(rows)
    rows = rows.assign(_y=2 * np.log(rows["decay_per_nm"]), _state=state)
    rows = rows[(state != "") | (not by)]
    place = rows.groupby([*SITE, "_state"], sort=False, dropna=False)["_y"]
    sites = place.agg(["mean", "size"]).reset_index()
    repeat_dof = float((sites["size"] - 1).sum())
    within = float(((rows["_y"] - place.transform("mean")) ** 2).sum())
    noise = within / repeat_dof if repeat_dof else float(
        np.nanmean(np.append((2 * rows["decay_se_per_nm"] / rows["decay_per_nm"]) ** 2, 0.0)[:-1])
    )  # fmt: skip
    each = 1 / float((1 / sites["size"]).mean())
    for paired in (True, False) if by else (False,):
        variance, dof = _pairs(sites) if paired else _spread(sites["mean"], [sites[c] for c in (*TIP, "_state")])
        if dof > 0:
            return SiteScatter(variance, dof, each, np.nan_to_num(noise), repeat_dof or np.inf, paired, bool(by))
    raise ValueError(
        "No tip has two sites with a barrier: the scatter between sites is unknown, and it is what the number of sites depends "
        "on. Measure one tip at three sites or more, with two repeats each, and ask again."
    )


def _spread(values: pd.Series, groups: list[Any]) -> tuple[float, float]:
    """Variance about the means of the groups, pooled, and its degrees of freedom."""
    own = values.groupby(groups, sort=False, dropna=False)
    dof = float((own.size() - 1).sum())
    return (float(((values - own.transform("mean")) ** 2).sum()) / dof, dof) if dof else (np.nan, 0.0)


def _pairs(sites: pd.DataFrame) -> tuple[float, float]:
    """As `_spread` of the changes at revisited sites, all pairs of states."""
    both = sites.merge(sites, on=SITE, suffixes=("_a", "_b"))
    both = both[both["_state_a"] < both["_state_b"]]
    variance, dof = _spread(both["mean_b"] - both["mean_a"], [both[c] for c in (*TIP, "_state_a", "_state_b")])
    return variance, dof * 2 / sites["_state"].nunique()  # of k states k - 1 changes are independent, not k (k - 1) / 2


def plan_session(scatter: SiteScatter, aim: Aim | None = None) -> NextSession:
    """How many sites, repeats and minutes it takes to tell two tips (two states of a tip) apart.

    Parameters
    ----------
    scatter : SiteScatter
        Of `site_scatter`.
    aim : Aim, optional
        5 % with 90 % power unless said otherwise.

    Raises
    ------
    ValueError
        If the aim is no positive difference, or no chance between 0.5 and 1.

    Notes
    -----
    The chance that `compare_pairs` (for pairs of sites: `compare_states`) says "differ", from the noncentral t distribution given
    the ratio of the two observed variances, averaged over the variances that the session leaves possible: seen × ν/χ² with ν
    degrees of freedom (assurance: A. O'Hagan, J. W. Stevens, M. J. Campbell, Pharm. Stat. 4, 187, 2005, from memory). Checked by
    simulated next sessions in scripts/studies/planner.py.

    Examples
    --------
    >>> plan_session(SiteScatter(0.04**2, 12, 3, 0.02**2, 30)).options["sites"].tolist()[:3]
    [21, 20, 19]
    """
    aim = aim or Aim()
    if not aim.percent > 0 or not 0.5 <= aim.power < 1:
        raise ValueError(
            f"Asked for a difference of {aim.percent:g} % with power {aim.power:g}; give a positive difference, and a power from "
            "0.5 to below 1."
        )
    known = replace(scatter, dof=np.inf, repeat_dof=np.inf)
    rows = []
    for repeats in sorted({*MOST_REPEATS, max(round(scatter.repeats), 1)}):
        sites, chance = _fewest(scatter, aim, repeats)
        minutes = 2 * sites * (aim.minutes_per_site + repeats * aim.minutes_per_repeat)
        rows.append((repeats, sites, minutes, 100 * chance, _fewest(known, aim, repeats)[0]))
    options = pd.DataFrame(rows, columns=list(OPTION_COLUMNS[:-1]))
    within = options["sites"] <= MOST_SITES
    cheapest = options["minutes"].where(within).min()
    options["cheapest"] = within & (options["minutes"] == cheapest) & ~options["minutes"].duplicated()
    best = options[options["cheapest"]]
    promised = bool(len(best)) and bool(best["sites"].iloc[0] <= POOR * best["sites_if_known"].iloc[0])
    return NextSession(scatter, aim, options, promised, tuple(_words(scatter, aim, options, promised)))


def _fewest(scatter: SiteScatter, aim: Aim, repeats: int) -> tuple[int, float]:
    """The fewest sites with the power asked for, and their power; one more than `MOST_SITES` where none has it."""
    low, high = FEWEST - 1, MOST_SITES + 1
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if mean_power(scatter, aim, middle, repeats) >= aim.power else (middle, high)
    return high, mean_power(scatter, aim, high, repeats)


def mean_power(scatter: SiteScatter, aim: Aim, sites: int, repeats: int) -> float:
    """The chance to show the difference with so many sites of each tip (pairs of sites), over all scatter that may be true.

    Parameters
    ----------
    scatter : SiteScatter
    aim : Aim
    sites, repeats : int
        Sites of each tip, and repeats at each (in each state).
    """
    whole, of_repeats = (_factors(dof) for dof in (scatter.dof, scatter.repeat_dof))
    variance = scatter.at(repeats, whole[:, None], of_repeats[None, :])
    spread = np.sqrt(variance * (1 if scatter.paired else 2) / sites)
    reach = np.log1p(aim.percent / 100) / np.maximum(spread, 1e-12)
    curve = _power_curve(sites, aim.confidence, paired=scatter.paired)
    return float(np.clip(curve(np.minimum(reach, _REACH[-1])), 0.0, 1.0).mean())


@lru_cache(maxsize=1 << 8)
def _factors(dof: float) -> np.ndarray:
    """By how much a true variance may differ from that seen, equally likely values."""
    return np.ones(1) if np.isinf(dof) else np.asarray(dof / chi2_quantile(_NODES, dof))


@lru_cache(maxsize=1 << 10)
def _power_curve(sites: int, confidence: float, *, paired: bool) -> CubicSpline:
    """The chance of "differ" for a true difference of so many standard deviations, up to the last of `_REACH`."""
    from scipy import stats  # slow to import, and wanted only here

    if paired:
        limit, dof = t_quantile(np.array([sites - 1.0]), confidence), sites - 1.0
    else:
        ratio = f_quantile((_NODES[::2] + _NODES[1::2]) / 2, sites - 1, sites - 1)
        variance, n = np.stack([ratio, np.ones_like(ratio)]), np.full((2, ratio.size), float(sites))
        z = -float(ndtri((1 - confidence) / 2))
        limit, dof = t_quantile(unequal_dof(variance, n - 1, n, z), confidence), 2.0 * (sites - 1)
    above = stats.nct.sf(limit[:, None], dof, _REACH)  # the wrong way round is called too seldom to count
    return CubicSpline(_REACH, np.nan_to_num(above, nan=1.0).mean(axis=0))


def _words(scatter: SiteScatter, aim: Aim, options: pd.DataFrame, promised: bool) -> list[str]:
    """The answer in words."""
    unit = scatter.units
    low, high = (
        100 * np.sqrt(scatter.variance * scatter.dof / chi2_quantile(1 - p, scatter.dof)) for p in (0.025, 0.975)
    )
    what = "Changes at a site" if scatter.paired else "Sites of a tip"
    scattered = (
        f"{what} scatter by {100 * np.sqrt(scatter.variance):.2g} % (95 %: {low:.2g} to {high:.2g} %, {scatter.dof:.0f} degrees of "
        f"freedom), repeats at a site by {100 * np.sqrt(scatter.repeat_variance):.2g} %."
    )
    said = [scattered]
    aimed = f"To tell {aim.percent:g} % with {100 * aim.power:g} % power"
    if not options["cheapest"].any():
        more = f"more than {MOST_SITES} {unit} are needed: ask for a larger difference"
        return [*said, f"{aimed} {more}, or find what makes them scatter."]
    best = options[options["cheapest"]].iloc[0]
    said.append(
        f"{aimed}: {best['sites']:.0f} {unit} with {best['repeats']:.0f} repeat{'s' if best['repeats'] != 1 else ''} each, some "
        f"{best['minutes']:.0f} minutes for both {'states' if scatter.states else 'tips'}."
    )
    now = options.iloc[(options["repeats"] - scatter.repeats).abs().argmin()]
    if best["repeats"] > now["repeats"]:
        said.append("More repeats at each site are cheaper than more sites, up to there.")
    elif best["repeats"] < now["repeats"]:
        said.append("More sites with fewer repeats each are cheaper than more repeats.")
    else:
        said.append("More sites are cheaper than more repeats.")
    if not promised:
        said.append(
            f"The scatter is too poorly known to promise that: were it as seen, {best['sites_if_known']:.0f} would do. Measure "
            "one tip at more sites first, and ask again."
        )
    return said
