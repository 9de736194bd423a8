"""Several days of a tip: what its interval holds, by simulation in small and by hand; in large: scripts/studies/days.py."""

from __future__ import annotations

import _sources  # noqa: F401 (puts scripts on the path)
import numpy as np
import pandas as pd
import pytest
from scipy import stats
from studies import days as study

from sts.comparing.days import over_days
from sts.comparing.pairs import compare_pairs
from sts.comparing.sites_and_tips import site_level, tip_level


def sites_of(values: dict[tuple[str, str], list[float]]) -> tuple[pd.DataFrame, np.ndarray]:
    """Slopes of sites by tip and day, and the number of the tip of each."""
    rows = [(tip, day, value) for (tip, day), own in values.items() for value in own]
    table = pd.DataFrame(rows, columns=["tip", "day", "decay_per_nm"]).assign(sample="")
    return table, pd.factorize(table["tip"])[0]


def test_three_days_are_three_values_of_the_tip() -> None:
    """Equal numbers of sites on each day: the t interval of the means of the days (any textbook)."""
    means = [20.0, 21.0, 22.5]
    table, tip = sites_of({("a", str(day)): [m - 0.1, m + 0.1] for day, m in enumerate(means)})
    found = over_days(table, tip, np.full(6, 1e-6))
    assert found.mean[0] == pytest.approx(np.mean(means))
    assert found.se[0] == pytest.approx(stats.sem(means))
    assert (found.dof[0], found.days[0], found.shared[0]) == (2, 3, False)


def test_one_site_of_its_own_breaks_nothing_whatever_its_digits() -> None:
    """Weighting a single value by a weight that is no power of two gives it back less a last digit: no scatter."""
    for slope in np.random.default_rng(0).uniform(3, 25, 40):
        found = over_days(*sites_of({("a", ""): [slope]}), np.array([1.7e-4]))
        assert np.isnan(found.site_sd[0])


def test_two_days_of_four_tips_are_taken_together_and_of_one_tip_are_not() -> None:
    rng = np.random.default_rng(0)
    days = {(tip, day): list(20 + rng.normal(0, 0.5) + rng.normal(0, 0.2, 5)) for tip in "abcd" for day in ("mo", "tu")}
    together = over_days(*sites_of(days), np.full(40, 1e-4))
    assert together.shared.all()
    assert 1 <= together.dof[0] <= 4
    alone = over_days(*sites_of({key: own for key, own in days.items() if key[0] == "a"}), np.full(10, 1e-4))
    assert (alone.dof[0], alone.shared[0]) == (1, False)
    other = {(tip, "we" if (tip, day) == ("a", "tu") else day): own for (tip, day), own in days.items()}
    assert over_days(*sites_of(other), np.full(40, 1e-4)).shared.tolist() == [False, True, True, True]


def test_two_days_that_agree_by_chance_are_no_proof_of_a_sharp_value() -> None:
    """The half interval is no less than a third of what the ten sites alone would give."""
    table, tip = sites_of({("a", day): [19.0, 19.5, 20.0, 20.5, 21.0] for day in ("mo", "tu")})
    found = over_days(table, tip, np.full(10, 1e-4))
    half = found.se[0] * stats.t.ppf(0.975, found.dof[0])
    assert half == pytest.approx(np.std([19, 19.5, 20, 20.5, 21], ddof=1) / np.sqrt(10) * stats.t.ppf(0.975, 8) / 3)


@pytest.mark.parametrize("tips", [1, 4])
@pytest.mark.parametrize("days", [2, 3])
def test_intervals_hold_the_tip_where_days_scatter(tips: int, days: int) -> None:
    case = study.Case(tips, (3,) * days, (0.05,) * tips)
    share = study.coverage(case, np.random.default_rng(tips + days), 400 // tips)[0][0]
    assert share.widened().kept


def test_tips_of_two_days_alone_are_too_few_to_be_told_apart_and_one_day_is_said() -> None:
    table, _ = study.draw(study.Case(1, (3, 3), (0.02,)), np.random.default_rng(1), 2)
    tips = tip_level(site_level(table.assign(tip=table["sample"], sample="")))
    assert tips["days"].tolist() == [2, 2]
    assert compare_pairs(tips)["verdict"].tolist() == ["too few days"]
    one = tip_level(site_level(table[table["day"] == "0"]))
    assert one["note"].str.contains("one day: scatter from day to day is unknown").all()
