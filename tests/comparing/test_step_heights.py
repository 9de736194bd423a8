"""The height scale from several steps: levels by hand, and against the handbook's prediction interval."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from sts.comparing.calibration import STEP_HEIGHTS
from sts.comparing.step_heights import scale_from_steps

GOLD = STEP_HEIGHTS["au111"].height_nm


def steps(**columns: object) -> pd.DataFrame:
    return pd.DataFrame(columns)


def test_one_more_day_is_predicted_from_the_means_of_days() -> None:
    """Of the ratios 1.00, 1.02, 1.07 of three days: mean 1.03, s = 0.0360555; the next one is within t(2) s sqrt(4/3)."""
    table = steps(measured_nm=GOLD * np.array([0.99, 1.01, 1.02, 1.06, 1.08]), day=list("aabcc"), place=list("ppqpp"))
    found = scale_from_steps(table, "au111").calibration
    assert found.factor == pytest.approx(1 / 1.03, rel=1e-9)
    known = 0.0002 / GOLD
    assert found.relative_se == pytest.approx(np.hypot(0.0360555 * np.sqrt(4 / 3) / 1.03, known), rel=1e-5)
    assert found.dof == pytest.approx(2, rel=1e-3)
    low, high = scale_from_steps(table, "au111").interval()
    assert (high - low) / 2 == pytest.approx(stats.t.ppf(0.975, found.dof) * found.factor_se)


def test_places_of_one_day_are_the_replicates_and_the_missing_days_are_told() -> None:
    found = scale_from_steps(steps(measured_nm=[0.238, 0.242, 0.240, 0.244], place=list("aabb")), "au111")
    # means of places 0.240 and 0.242: the mean is uncertain by 0.001 nm with one degree of freedom
    assert found.calibration.measured_se == pytest.approx(0.001)
    assert found.calibration.dof == pytest.approx(1, rel=0.1)
    assert "One day: how much the scale changes from day to day is not known" in found.notes[0]
    assert (
        "4 steps at 2 places on 1 day; they differ by 0 % between places of a day, 1.2 % between repeats" in found.words
    )


def test_repeats_at_one_place_give_the_error_of_their_mean() -> None:
    values = [0.238, 0.240, 0.243, 0.239]
    found = scale_from_steps(steps(measured_nm=values, place="a"), 0.25, 0.0)
    assert found.calibration.measured_se == pytest.approx(float(stats.sem(values)))
    assert any("One place" in note for note in found.notes)


def test_hysteresis_is_told_and_a_place_measured_one_way_does_not_move_the_mean() -> None:
    up, down = 1.01, 0.99
    table = steps(
        measured_nm=GOLD * np.array([up, down, up * 1.001, down * 1.001, up]), direction=["up", "down", "up", "down", "up"],
        place=list("aabbc"),
    )  # fmt: skip
    found = scale_from_steps(table, "au111")
    assert found.hysteresis_percent[0] == pytest.approx(2.0)
    assert found.calibration.factor == pytest.approx(1, abs=1e-3)
    assert "upwards a step reads 2 ± " in found.words
    one_way = scale_from_steps(table[table["direction"] == "up"], "au111")
    assert np.isnan(one_way.hysteresis_percent[0])
    assert any("on the way up" in note for note in one_way.notes)


def test_steps_of_two_kinds_count_by_their_ratio() -> None:
    silicon = STEP_HEIGHTS["si111"].height_nm
    table = steps(
        measured_nm=[GOLD * 1.02, silicon * 1.04],
        known=["au111", "si111"],
        place=["a", "b"],
        temperature_K=[290.0, 300.0],
    )
    found = scale_from_steps(table)
    assert found.calibration.factor == pytest.approx(1 / 1.03)
    assert found.calibration.temperature_K == 295
    assert "Au(111)" in found.calibration.source
    assert "Si(111)" in found.calibration.source
    assert any("290 to 300 K" in note for note in found.notes)


@pytest.mark.parametrize(
    ("table", "known", "said"),
    [
        (steps(measured_nm=[0.24]), "au111", "One step, or steps that all read the same"),
        (steps(measured_nm=[0.24, 0.25]), None, "true height of step 1 is not known"),
        (steps(measured_nm=[0.24, -0.25]), "au111", "Step 2 measures -0.25 nm"),
        (steps(measured_nm=[0.24, 0.25]), "gold", "'gold' is not a known step"),
        (steps(measured_nm=[0.24, 0.25], known_nm=[-1.0, 0.2]), None, "must be positive"),
    ],
)
def test_what_gives_no_scale_is_refused(table: pd.DataFrame, known: str | None, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        scale_from_steps(table, known)


def test_the_interval_of_the_factor_covers_a_day_of_its_own() -> None:
    """Three days that scatter by 2 %: 95 % intervals by a truth drawn here (more in scripts/studies/height_scale.py)."""
    rng = np.random.default_rng(8)
    held = 0
    for _ in range(40):
        ratio = 1 + np.repeat(0.02 * rng.normal(size=3), 2) + 0.004 * rng.normal(size=6)
        low, high = scale_from_steps(
            steps(measured_nm=GOLD * ratio, day=list("aabbcc"), place=list("ababab")), "au111"
        ).interval()
        held += low <= 1 - 0.02 * rng.normal() <= high
    assert held >= 34
