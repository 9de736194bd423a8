"""Whether sites (or tips) differ in a value that each sweep has, by more than the repeats at one of them do."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sts.comparing.random_effects import ODD, t_quantile
from sts.curves.averaging import codes_of, group_codes
from sts.curves.distributions import chi2_above, f_above

Array = NDArray[np.float64]

COLUMNS = (
    "feature", "level", "units", "repeats", "lowest", "lowest_mV", "highest", "highest_mV", "p", "differ", "against",
)  # fmt: skip
REPEATS, POINTS = "scatter of repeats", "noise of points"
_SITE = ["tip", "day", "site"]


def differences(table: pd.DataFrame) -> pd.DataFrame:
    """Whether a feature differs between sites, or between tips where there are several.

    Parameters
    ----------
    table : pandas.DataFrame
        One row for each feature and sweep: `feature`, `tip`, `day`, `site`, `repeat`, `value_mV`, `value_se_mV`.

    Returns
    -------
    pandas.DataFrame
        `COLUMNS`, one row for each feature that two units have: lowest and highest mean and whose it is, the chance `p` that equal
        units differ so much, and whether that is below 1 % over all features together.

    Notes
    -----
    One-way analysis of variance: the F ratio of what unit means differ by to what values within a unit do (R. A. Fisher,
    Statistical Methods for Research Workers, 1925). Values are repeats (up and down averaged) at sites, and sites of tips. Where no
    unit has two, W. G. Cochran's Q (Biometrics 10, 101, 1954) of the uncertainties by point noise, which know no slow noise.
    """
    rows = [one for feature, own in table.groupby("feature", sort=False) if (one := _tested(str(feature), own))]
    found = pd.DataFrame(rows, columns=list(COLUMNS))
    found["differ"] = found["p"] < ODD / max(len(found), 1)
    return found


def means_at_sites(table: pd.DataFrame, *, confidence: float = 0.95) -> pd.DataFrame:
    """Mean of each feature at each site with the interval that the repeats at all sites of its tip make.

    Parameters
    ----------
    table : pandas.DataFrame
        As `differences` takes it.
    confidence : float

    Returns
    -------
    pandas.DataFrame
        `feature`, `tip`, `day`, `site`, `sweeps`, `mean_mV`, `low_mV`, `high_mV`; the interval is of the scatter within sites, by
        Student's t, or of point noise where no site has two repeats.
    """
    parts = []
    for (feature, tip), own in table.groupby(["feature", "tip"], sort=False):
        for day, site, sweeps, mean, half in _site_means(own, confidence):
            parts.append((feature, tip, day, site, sweeps, mean, mean - half, mean + half))
    return pd.DataFrame(parts, columns=["feature", "tip", "day", "site", "sweeps", "mean_mV", "low_mV", "high_mV"])


@dataclass(frozen=True, eq=False)
class _Values:
    """Values (k,) of repeats or of units, the standard uncertainty of each by point noise, and their codes of the level above."""

    value: Array
    se: Array
    within: NDArray[np.int64]

    def means(self) -> Array:
        return np.asarray(np.bincount(self.within, self.value) / np.bincount(self.within))

    def raised(self, within: NDArray[np.int64]) -> _Values:
        """Means of the units, with the codes of the units above them (one for each value here)."""
        first = np.unique(self.within, return_index=True)[1]
        se = np.sqrt(np.bincount(self.within, self.se**2)) / np.bincount(self.within)
        return _Values(self.means(), se, within[first])

    def scatter(self) -> tuple[float, int]:
        """Sum of squares within units, and its degrees of freedom."""
        means = self.means()
        return float(np.sum((self.value - means[self.within]) ** 2)), self.value.size - means.size


def _repeats(own: pd.DataFrame) -> tuple[_Values, NDArray[np.int64]]:
    """The repeats of sweeps with the site of each, and its tip."""
    site = group_codes(own, _SITE)
    value, se = (own[name].to_numpy(float) for name in ("value_mV", "value_se_mV"))
    sweeps = _Values(value, se, codes_of(site, own["repeat"]))
    repeats = sweeps.raised(site)
    return repeats, group_codes(own, ["tip"])[np.unique(sweeps.within, return_index=True)[1]]


def _site_means(own: pd.DataFrame, confidence: float) -> Iterator[tuple[Any, Any, int, float, float]]:
    """Day, site, sweeps, mean and half interval, of one tip."""
    repeats, _ = _repeats(own)
    squares, freedom = repeats.scatter()
    site, number = group_codes(own, _SITE), np.bincount(repeats.within)
    first, sweeps = np.unique(site, return_index=True)[1], np.bincount(site)
    if freedom:
        half = float(t_quantile(freedom, confidence)) * np.sqrt(squares / freedom / number)
    else:
        half = float(t_quantile(np.inf, confidence)) * repeats.raised(repeats.within).se
    places = own[["day", "site"]].iloc[first].itertuples(index=False)
    for place, *numbers in zip(places, sweeps.tolist(), repeats.means().tolist(), half.tolist(), strict=True):
        yield place.day, place.site, numbers[0], numbers[1], numbers[2]


def _tested(feature: str, own: pd.DataFrame) -> dict[str, Any] | None:
    """A row of `differences`; None for a single unit."""
    values, tip = _repeats(own)
    repeats, level = values.value.size, _SITE
    if tip.max() > 0:
        sites = values.raised(tip)
        values = sites if sites.value.size > tip.max() + 1 else _Values(values.value, values.se, tip)
        level = ["tip"]
    means, number = values.means(), np.bincount(values.within)
    k = means.size
    if k < 2:
        return None
    squares, freedom = values.scatter()
    if freedom:
        between = float(number @ (means - values.value.mean()) ** 2) / (k - 1)
        p = float(f_above(between / max(squares / freedom, 1e-300), k - 1, freedom))
    else:
        weight = 1 / values.se**2
        p = float(chi2_above(float(weight @ (values.value - weight @ values.value / weight.sum()) ** 2), k - 1))
    names = own[level].iloc[np.unique(group_codes(own, level), return_index=True)[1]].to_numpy(object)
    row: dict[str, Any] = {
        "feature": feature,
        "level": "site" if level is _SITE else "tip",
        "units": k,
        "repeats": repeats,
    }
    for word, place in (("lowest", int(np.argmin(means))), ("highest", int(np.argmax(means)))):
        row |= {word: _name(names[place]), f"{word}_mV": float(means[place])}
    return row | {"p": p, "against": REPEATS if freedom else POINTS}


def _name(place: Any) -> str:
    """What tells a site (its tip left out, and its day where that is not known) or a tip."""
    parts = place[1:] if len(place) > 1 else place
    return " ".join(str(part) for part in parts if str(part)) or "(no name)"
