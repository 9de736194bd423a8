"""The height scale from steps of known height that were measured on several places and days."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from sts.comparing.calibration import Calibration, StepHeight, calibration_factor, known_step
from sts.comparing.components import nested_variances
from sts.comparing.random_effects import joined_dof, larger_scatter, t_quantile

LEVELS = ("days", "places", "repeats")
_BETWEEN = {"days": "from day to day", "places": "between places of a day", "repeats": "between repeats at a place"}


@dataclass(frozen=True, eq=False)
class StepScale:
    """A height scale and what its steps say of it.

    Attributes
    ----------
    calibration : Calibration
        The scale for a session on a day of its own.
    levels : pandas.DataFrame
        `level` (`LEVELS`), `number` of them, `sd_percent` (standard deviation beyond that of the level below; NaN where it cannot
        be told), `dof`.
    hysteresis_percent : (float, float)
        By how much a step reads higher upwards than downwards, and its standard uncertainty; NaN where it was not measured both
        ways at two places.
    notes : tuple[str, ...]
        What the steps cannot tell, and what to measure.
    """

    calibration: Calibration
    levels: pd.DataFrame
    hysteresis_percent: tuple[float, float]
    notes: tuple[str, ...]

    def interval(self, confidence: float = 0.95) -> tuple[float, float]:
        """The interval of the factor.

        Parameters
        ----------
        confidence : float
        """
        scale = self.calibration
        half = float(t_quantile(scale.dof, confidence)) * scale.factor_se
        return scale.factor - half, scale.factor + half

    @property
    def words(self) -> str:
        """What was measured and how much it scatters, in one line."""
        number = dict(zip(self.levels["level"], self.levels["number"], strict=True))
        counts = [_count(number["repeats"], "step"), f"at {_count(number['places'], 'place')}",
                  f"on {_count(number['days'], 'day')}"]  # fmt: skip
        spread = zip(self.levels["level"], self.levels["sd_percent"], strict=True)
        sizes = [f"{size:.2g} % {_BETWEEN[level]}" for level, size in spread if np.isfinite(size)]
        said = f"{' '.join(counts)}; they differ by {', '.join(sizes)} (standard deviations)"
        size, error = self.hysteresis_percent
        if np.isfinite(size):
            more = "higher" if size > 0 else "lower"
            said += f"; upwards a step reads {abs(size):.2g} ± {error:.1g} % {more} than downwards, the mean of both is taken"
        return said


def _count(number: int, word: str) -> str:
    return f"{number} {word}{'' if number == 1 else 's'}"


def scale_from_steps(steps: pd.DataFrame, known: str | float | None = None, known_se: float = 0.0) -> StepScale:
    """The height scale from steps measured on several places and days.

    Parameters
    ----------
    steps : pandas.DataFrame
        One row per step: `measured_nm`; and where known `place`, `day`, `known` (a name in `STEP_HEIGHTS`) or `known_nm`,
        `direction` (``"up"`` or ``"down"``), `temperature_K` of the piezo. Steps without a place count as places of their own,
        those without a day as one day.
    known : str or float, optional
        Of all steps whose row does not say it: a name, or the height [nm].
    known_se : float
        Standard uncertainty of a height given as a number [nm], by `known` or in the table.

    Raises
    ------
    ValueError
        If the height of a step is not known, a number is not positive, or a single step leaves no scatter to judge by.

    Notes
    -----
    Random effects, by their highest level that has two units: the mean over D days of the means over places of the means over
    repeats; r is measured over known height. Since the scale of a session is that of one more day, its variance is
    s²(1 + 1/D), s² the variance of the days' means, with D - 1 degrees of freedom: the prediction of one more of D values
    (GUM, JCGM 100:2008, 4.2 and G.3; S. B. Vardeman, Am. Stat. 46, 193, 1992, from memory).
    It is a little wide where days do not differ. With one day it is s²/P over P places, with one place s²/n over n repeats: what
    the levels above add cannot be known, which `notes` says. Where the level below alone gives a wider interval that is taken
    (`larger_scatter`). Proved in scripts/studies/height_scale.py.
    """
    rows = _checked(steps, known, known_se)
    heights = {key: known_step(*key) for key in dict.fromkeys(rows["key"])}
    hysteresis = _hysteresis(rows)
    rows["ratio"] /= 1 + np.nan_to_num(hysteresis[0]) / 200 * rows["direction"].map({"up": 1.0, "down": -1.0}).fillna(
        0.0
    )
    mean, se, dof = _mean_of_levels(rows)
    share = rows["key"].value_counts(normalize=True)
    known_relative = math.sqrt(sum((share[key] * one.se_nm / one.height_nm) ** 2 for key, one in heights.items()))
    height = next(iter(heights.values()))
    found = calibration_factor(mean * height.height_nm, se * height.height_nm, height.height_nm,
                               known_relative * height.height_nm)  # fmt: skip
    relative = math.hypot(se / mean, known_relative)
    temperature = rows["temperature_K"].to_numpy(float)
    scale = replace(
        found, dof=joined_dof(se / mean, dof, relative), source="; ".join(one.source for one in heights.values()),
        temperature_K=float(np.nanmean(temperature)) if np.isfinite(temperature).any() else math.nan,
    )  # fmt: skip
    made = StepScale(scale, _levels(rows), hysteresis, _notes(rows))
    return replace(made, calibration=replace(scale, source=f"{made.words}; {scale.source}"))


def _checked(steps: pd.DataFrame, known: str | float | None, known_se: float) -> pd.DataFrame:
    """The steps with `ratio` (measured over known), `key` (arguments of `known_step`), `day_number` and `place_number`."""
    blank = {"place": "", "day": "", "known": "", "known_nm": np.nan, "direction": "", "temperature_K": np.nan}
    rows = pd.DataFrame({**{name: steps.get(name, value) for name, value in blank.items()},
                         "measured_nm": steps["measured_nm"].to_numpy(float)})  # fmt: skip
    keys: list[tuple[Any, float]] = []
    for number, (name, height) in enumerate(zip(rows["known"], rows["known_nm"], strict=True), 1):
        own = name or (height if np.isfinite(height) else known)
        if own is None or own == "":
            raise ValueError(f"The true height of step {number} is not known; say it with 'known': a name or a height.")
        keys.append((own, 0.0 if isinstance(own, str) else known_se))
    heights = np.array([_height(*key).height_nm for key in keys])
    bad = ~(np.isfinite(rows["measured_nm"]) & (rows["measured_nm"] > 0))
    if bad.any():
        raise ValueError(
            f"Step {int(np.argmax(bad)) + 1} measures {rows['measured_nm'][bad].iloc[0]:g} nm; a height is positive."
        )
    own_place = [f"\n{i}" if not str(place) else str(place) for i, place in enumerate(rows["place"])]
    rows["key"], rows["ratio"] = keys, rows["measured_nm"] / heights
    rows["day_number"] = rows.groupby("day", sort=False).ngroup()
    rows["place"] = own_place
    rows["place_number"] = rows.groupby(["day", "place"], sort=False).ngroup()
    return rows


def _height(known: str | float, known_se: float) -> StepHeight:
    step = known_step(known, known_se)
    if not step.height_nm > 0:
        raise ValueError(f"A known height is {step.height_nm:g} nm; it must be positive.")
    return step


def _mean_of_levels(rows: pd.DataFrame) -> tuple[float, float, float]:
    """Mean of measured over known, its standard uncertainty for one more day, and degrees of freedom."""
    each = rows.groupby("place_number")["ratio"].agg(["mean", "size", "var"])
    day_of = rows.groupby("place_number")["day_number"].first()
    by_day = each["mean"].groupby(day_of).agg(["mean", "size", "var"])
    day, place = by_day["mean"], each["mean"]
    of_day, of_place = (_pooled(level) * float((1 / level["size"]).mean()) for level in (by_day, each))
    free_in_days, free_in_places = len(place) - len(day), len(rows) - len(place)
    if len(day) > 1:
        seen = float(day.var()) * (1 + 1 / len(day)), len(day) - 1.0
        below = of_day / len(day), free_in_days
    elif len(place) > 1:
        seen, below = (of_day, free_in_days), (of_place / len(place), free_in_places)
    else:
        seen, below = (of_place, free_in_places), (math.nan, 0)
    se, dof = (float(value[0]) for value in larger_scatter(
        [math.sqrt(below[0])], [below[1]], [math.sqrt(seen[0])], [seen[1]])
    )  # fmt: skip
    if not se > 0:
        raise ValueError(
            "One step, or steps that all read the same, tell no scatter. Measure it at two places or more, or give the "
            "uncertainty of the measured height."
        )
    return float(day.mean()), se, dof


def _pooled(groups: pd.DataFrame) -> float:
    """The variance of groups (their `size` and `var`) taken together; NaN where none has two values."""
    free = groups["size"].to_numpy(float) - 1
    return float(np.nansum(groups["var"].to_numpy(float) * free) / free.sum()) if free.sum() > 0 else math.nan


def _levels(rows: pd.DataFrame) -> pd.DataFrame:
    """Standard deviations by level; a level whose units have one of the next each holds the scatter of that, too."""
    ratio = rows["ratio"].to_numpy(float) / float(rows["ratio"].mean())
    labels = [rows["day_number"].to_numpy(int), rows["place_number"].to_numpy(int), np.arange(len(rows))]
    number = [int(label.max()) + 1 for label in labels]
    told = [level for level in range(3) if level == 0 or number[level] > number[level - 1]]
    variance, dof, _ = nested_variances(ratio, np.zeros(len(rows), int), *(labels[level] for level in told[:-1]))
    size, free = np.full(3, np.nan), np.zeros(3)
    size[told], free[told] = np.where(dof > 0, 100 * np.sqrt(np.maximum(variance, 0.0)), np.nan), dof
    number[1] = rows["place"].nunique()
    return pd.DataFrame({"level": LEVELS, "number": number, "sd_percent": size, "dof": free})


def _hysteresis(rows: pd.DataFrame) -> tuple[float, float]:
    """By how much a step reads higher upwards than downwards [%], from places where both were measured."""
    both = rows.pivot_table(index="place_number", columns="direction", values="ratio")
    if not {"up", "down"} <= set(both.columns):
        return math.nan, math.nan
    apart = (200 * (both["up"] - both["down"]) / (both["up"] + both["down"])).dropna()
    if len(apart) < 2:
        return math.nan, math.nan
    return float(apart.mean()), float(apart.std() / math.sqrt(len(apart)))


def _notes(rows: pd.DataFrame) -> tuple[str, ...]:
    days, places = rows["day_number"].nunique(), rows["place"].nunique()
    ways = set(rows["direction"]) - {""}
    temperature = rows["temperature_K"]
    only = next(iter(ways)) if len(ways) == 1 else ""
    conditions = {
        "One day: how much the scale changes from day to day is not known and not in its uncertainty. Measure the step on a "
        "second and third day.": days == 1,
        "Two days: the interval is wide because the scatter from day to day rests on one difference. A third day narrows it "
        "most.": days == 2,
        "One place: how much places differ is not known and not in the uncertainty.": places == 1,
        "The place of some steps is not recorded: each of them counts as a place of its own. Repeats at one place would make the "
        "uncertainty too small.": bool(rows["place"].str.startswith("\n").any()),
        f"All steps were measured on the way {only}: what hysteresis of the piezo does the other way is not known. Measure some "
        "both ways.": bool(only),
        f"The piezo was at {temperature.min():.4g} to {temperature.max():.4g} K: part of the scatter may be its "
        "temperature.": bool(temperature.max() - temperature.min() > 2),
    }
    return tuple(words for words, true in conditions.items() if true)
