"""Before and after against published and library paired t tests, what cancels, and who is left out."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from sts.comparing.paired import ALL_TIPS, compare_states, state_words
from sts.comparing.power import smallest_seen

SLOPE = 21.7  # [1/nm], of 4.5 eV
# Student (1908): hours of sleep gained by ten patients with two drugs, as in R's `sleep`; t = -4.0621, p = 0.002833 and the
# interval -2.4598858 to -0.7001142 from its help page (from memory).
SLEEP = ([0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0], [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4])


def of_sites(rows: list[tuple[str, str, str, float]], **columns: Any) -> pd.DataFrame:
    """Repeats of one sweep each: (tip, state, site, ln φ less that of SLOPE)."""
    table = pd.DataFrame(rows, columns=["tip", "state", "site", "ln"])
    slope = SLOPE * np.exp(table["ln"] / 2)
    return table.assign(
        sample="gold", repeat=1.0, decay_per_nm=slope, decay_se_per_nm=0.002 * slope, dof=100.0, sweeps=2,
        order=np.arange(len(table)), **columns,
    )  # fmt: skip


def drawn(tips: int, sites: int, *, change: float = 0.05, seed: int = 0, revisited: bool = True) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    rows = []
    for tip in range(tips):
        place = 0.05 * rng.normal(size=sites)
        for k, state in enumerate(("before", "after")):
            for site in range(sites):
                name = f"{site}" if revisited else f"{state} {site}"
                rows.append((f"tip {tip}", state, name, place[site] + k * change + 0.02 * rng.normal()))
    return of_sites(rows)


def row_of(changes: pd.DataFrame, tip: str) -> Any:
    return next(changes[changes["tip"] == tip].itertuples())


def test_sites_of_one_tip_are_students_sleepers():
    """Ten sites, each with its two states: the published t, p and interval of the difference are those of ln φ."""
    rows = [
        ("heron", state, f"{k}", value)
        for state, values in zip("ba", SLEEP[::-1], strict=True)
        for k, value in enumerate(values)
    ]
    found = row_of(compare_states(of_sites(rows), "state").changes, "heron")
    assert (found.state_a, found.state_b, found.units, found.dof) == ("b", "a", "10 sites revisited", 9)
    assert_allclose(np.log([found.ratio_low, found.ratio_high]), [-2.4598858, -0.7001142], rtol=1e-6)
    assert_allclose(found.p_adjusted, 0.002833, rtol=2e-4)
    assert found.verdict == "differ"


def test_sites_that_scatter_less_than_their_noise_are_weighed_by_the_inverse_of_its_square():
    """Inverse variances (textbook): two sites with a third of the others' noise have nine times their weight."""
    change = [0.010, 0.012, 0.030, 0.034]
    rows = [
        ("a", state, f"{k}", k_ln)
        for state, part in (("x", 0.0), ("y", 1.0))
        for k, k_ln in enumerate(part * np.array(change))
    ]
    repeats = of_sites(rows)
    repeats["decay_se_per_nm"] = repeats["decay_per_nm"] * np.tile([0.01, 0.01, 0.03, 0.03], 2)
    found = row_of(compare_states(repeats, "state").changes, "a")
    assert_allclose(np.log(found.ratio), np.average(change, weights=[9, 9, 1, 1]), rtol=1e-6)


def test_tips_with_equally_many_sites_are_scipys_paired_test():
    repeats = drawn(5, 3)
    means = np.log(repeats["decay_per_nm"]).mul(2).groupby([repeats["state"], repeats["tip"]]).mean()
    reference = stats.ttest_rel(means["after"], means["before"])
    found = row_of(compare_states(repeats, "state").changes, ALL_TIPS)
    assert_allclose(found.p_adjusted, reference.pvalue, rtol=1e-9)
    assert_allclose(np.log([found.ratio_low, found.ratio_high]), reference.confidence_interval(), rtol=1e-9)
    assert (found.units, found.dof, found.verdict) == ("5 tips", 4, "differ")


def test_single_tips_are_adjusted_for_their_number():
    """Šidák: the product of independent levels."""
    repeats = drawn(4, 5, seed=2)
    values = 2 * np.log(repeats["decay_per_nm"])
    found = compare_states(repeats, "state").changes
    for tip, own in repeats.assign(ln=values).groupby("tip"):
        parts = [own.loc[own["state"] == s, "ln"].to_numpy() for s in ("after", "before")]
        one = row_of(found, str(tip))
        assert_allclose(1 - one.p_adjusted, (1 - stats.ttest_rel(*parts).pvalue) ** 4, rtol=1e-9)
        assert (one.ratio_low < 1 < one.ratio_high) == (one.verdict == "no difference shown")


def test_sites_that_were_not_revisited_are_compared_by_their_means():
    repeats = drawn(1, 4, revisited=False, change=0.3)
    found = row_of(compare_states(repeats, "state").changes, "tip 0")
    ln = 2 * np.log(repeats["decay_per_nm"])
    parts = [ln[repeats["state"] == s] for s in ("after", "before")]
    assert_allclose(np.log(found.ratio), parts[0].mean() - parts[1].mean(), rtol=1e-9)
    assert found.units == "4 and 4 sites, none revisited"
    assert (found.paired_by, found.verdict) == ("tip", "differ")
    assert 3 <= found.dof <= 6


def test_a_single_revisited_site_of_many_does_not_make_pairs():
    repeats = drawn(1, 4, revisited=False)
    repeats.loc[repeats["site"].str.endswith(" 0"), "site"] = "same"
    assert row_of(compare_states(repeats, "state").changes, "tip 0").units == "4 and 4 sites, 1 revisited"


def test_states_stand_in_the_order_of_measurement_and_turning_them_turns_the_ratio():
    repeats = drawn(3, 3)
    turned = repeats.assign(order=-repeats["order"])
    one, other = (compare_states(rows, "state") for rows in (repeats, turned))
    assert (one.states, other.states) == (("before", "after"), ("after", "before"))
    assert_allclose(one.changes["ratio"], 1 / other.changes["ratio"])
    assert_allclose(one.changes["p_adjusted"], other.changes["p_adjusted"])


def test_a_tip_in_one_state_says_nothing_of_the_order_of_states():
    late = of_sites([("late", "before", "1", 0.0)])
    assert compare_states(pd.concat([drawn(2, 3), late.assign(order=1000)]), "state").states == ("before", "after")


def test_height_scale_and_common_offset_cancel():
    """A factor of the height scale divides every slope; an offset that moves all slopes by the same share moves no ratio."""
    repeats = drawn(3, 3)
    one = compare_states(repeats, "state").changes
    scaled = compare_states(repeats.assign(decay_per_nm=repeats["decay_per_nm"] / 1.07), "state").changes
    alike = compare_states(repeats.assign(decay_common_per_nm=0.1 * repeats["decay_per_nm"]), "state").changes
    for other in (scaled, alike):
        assert_allclose(
            other[["ratio", "ratio_low", "ratio_high"]], one[["ratio", "ratio_low", "ratio_high"]], rtol=1e-9
        )
    moved = repeats.assign(decay_common_per_nm=np.where(repeats["state"] == "after", 0.3, 0.0))
    wider = row_of(compare_states(moved, "state").changes, ALL_TIPS)
    same = row_of(one, ALL_TIPS)
    assert wider.ratio_high - wider.ratio_low > 1.5 * (same.ratio_high - same.ratio_low)
    assert wider.p_adjusted > same.p_adjusted


def test_a_tip_in_one_state_is_left_out_and_named():
    repeats = drawn(3, 3)
    only = (repeats["tip"] == "tip 2") & (repeats["state"] == "after")
    found = compare_states(repeats[~only], "state")
    assert "Left out, measured in one state only: tip 2 (before)." in found.notes
    assert list(found.changes["tip"]) == ["tip 0", "tip 1", ALL_TIPS]
    assert list(found.tips["tip"]) == ["tip 0", "tip 0", "tip 1", "tip 1", "tip 2"]
    assert row_of(found.changes, ALL_TIPS).verdict == "too few tips"


def test_no_tip_in_two_states_is_refused_with_what_there_is():
    repeats = drawn(2, 3)
    apart = repeats[(repeats["tip"] == "tip 0") == (repeats["state"] == "before")]
    with pytest.raises(ValueError, match=r"No tip was measured in two states.*tip 0 \(before\), tip 1 \(after\)"):
        compare_states(apart, "state")


def test_each_state_of_a_tip_has_a_barrier_with_an_interval():
    tips = compare_states(drawn(2, 4), "state").tips
    assert list(tips["state"]) == ["before", "after"] * 2
    assert (tips["sites"] == 4).all()
    assert (tips["barrier_low_eV"] < tips["barrier_eV"]).all()


def test_one_site_gives_a_ratio_without_an_interval_and_two_no_verdict():
    one = row_of(compare_states(drawn(1, 1), "state").changes, "tip 0")
    assert np.isfinite(one.ratio)
    assert np.isnan([one.ratio_low, one.p_adjusted, one.seen_from_percent]).all()
    two = row_of(compare_states(drawn(1, 2), "state").changes, "tip 0")
    assert np.isfinite(two.ratio_high)
    assert (one.verdict, two.verdict) == ("too few sites", "too few sites")


def test_a_state_that_came_first_everywhere_is_said_to_be_mixed_with_time():
    repeats = drawn(2, 3)
    (note,) = compare_states(repeats, "state").notes
    assert "'before' was always measured ahead of 'after'" in note
    back = repeats[repeats["state"] == "before"].assign(site=lambda r: r["site"] + " again", order=1000)
    assert compare_states(pd.concat([repeats, back]), "state").notes == ()
    assert compare_states(repeats.drop(columns="order"), "state").notes == ()


def test_states_on_different_days_are_not_paired_by_site_and_mixed_with_the_day():
    """A site of the same name on another day is another place."""
    repeats = drawn(2, 3)
    apart = repeats.assign(day=np.where(repeats["state"] == "before", "2026-03-01", "2026-03-02"))
    found = compare_states(apart, "state")
    assert set(found.changes["paired_by"]) == {"tip"}
    assert found.changes["units"].iloc[0] == "3 and 3 sites, none revisited"
    assert "'before' and 'after' were measured on different days" in found.notes[0]
    by_day = compare_states(apart, "day")
    assert by_day.states == ("2026-03-01", "2026-03-02")
    assert by_day.notes == ()
    assert_allclose(by_day.changes["ratio"], found.changes["ratio"])


def test_three_states_are_compared_in_pairs_and_adjusted():
    third = drawn(4, 3, seed=5).query("state == 'after'").assign(state="late", order=1000)
    found = compare_states(pd.concat([drawn(4, 3, seed=5), third]), "state").changes
    together = found[found["tip"] == ALL_TIPS]
    assert list(zip(together["state_a"], together["state_b"], strict=True)) == [
        ("before", "after"), ("before", "late"), ("after", "late")
    ]  # fmt: skip
    alone = row_of(compare_states(drawn(4, 3, seed=5), "state").changes, ALL_TIPS)
    assert_allclose(1 - together["p_adjusted"].iloc[0], (1 - alone.p_adjusted) ** 3, rtol=1e-9)


def test_what_could_have_been_seen_belongs_to_the_interval():
    found = row_of(compare_states(drawn(5, 3), "state").changes, ALL_TIPS)
    se = np.log(found.ratio_high / found.ratio) / stats.t.isf(0.025, 4)
    assert_allclose(found.seen_from_percent, 100 * np.expm1(smallest_seen(4, 0.95) * se), rtol=1e-9)


def test_states_are_words():
    assert list(state_words(pd.Series([77.0, 300.0, None], dtype=object))) == ["77", "300", ""]
    assert list(state_words(pd.Series([" before", "after "]))) == ["before", "after"]


def test_false_alarms_and_power_in_a_few_sessions(monkeypatch: pytest.MonkeyPatch):
    """A small part of scripts/studies/before_after.py, with wide bounds."""
    from pathlib import Path

    monkeypatch.syspath_prepend(str(Path(__file__).resolve().parents[2] / "scripts"))
    from studies import before_after

    rng, trials = np.random.default_rng(4), 150
    case = next(c for c in before_after.CASES if c.words == "4 tips, 3 sites revisited")
    rows = before_after.draw(case, rng, trials, case.change)
    ours = compare_states(rows, "state").changes.query("tip == @ALL_TIPS")["verdict"].eq("differ").mean()
    assert abs(100 * ours - before_after.told_by_true_values(case, rows)) < 6
    none = compare_states(before_after.draw(case, rng, trials, 0.0), "state").changes.query("tip == @ALL_TIPS")
    assert none["verdict"].eq("differ").mean() < 0.12
