"""Sites for the next session against published sample sizes of t tests, and what little knowledge costs."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from sts.comparing.planning import Aim, SiteScatter, mean_power, plan_session, site_scatter

STEP = float(np.log(1.05))
KNOWN = np.inf


def sites_for(effect: float, power: float, *, paired: bool) -> tuple[int, float]:
    """Sites of each tip for a difference of `effect` standard deviations that are known, and their power."""
    scatter = SiteScatter((STEP / effect) ** 2, KNOWN, 1, 0.0, KNOWN, paired)
    best = plan_session(scatter, Aim(power=power)).options.iloc[0]
    return int(best["sites"]), float(best["power_percent"])


@pytest.mark.parametrize(
    ("effect", "power", "sites"), [(0.5, 0.8, 34), (0.8, 0.8, 15), (0.5, 0.95, 54), (1.0, 0.9, 13)]
)
def test_pairs_of_sites_are_those_of_the_paired_t_test(effect: float, power: float, sites: int):
    """Sample sizes of the two-sided paired t test at 5 % (J. Cohen 1988, and power tables since; from memory)."""
    assert sites_for(effect, power, paired=True)[0] == sites


@pytest.mark.parametrize(
    ("effect", "power", "sites"), [(0.5, 0.8, 64), (0.8, 0.8, 26), (1.0, 0.8, 17), (0.8, 0.95, 42)]
)
def test_sites_of_two_tips_are_those_of_the_t_test_of_two_samples(effect: float, power: float, sites: int):
    """The same for two samples (Cohen's 64 and 26 per group); a test that allows unequal scatter may need one more."""
    assert sites <= sites_for(effect, power, paired=False)[0] <= sites + 1


def test_scatter_that_is_poorly_known_costs_sites_and_then_nothing_is_promised():
    plans = [plan_session(SiteScatter(0.04**2, dof, 3, 0.02**2, 30)) for dof in (2, 4, 9, 30, KNOWN)]
    best = [plan.options[plan.options["cheapest"]].iloc[0] for plan in plans]
    sites = [int(row["sites"]) for row in best]
    assert sites == sorted(sites, reverse=True)
    assert [plan.promised for plan in plans] == [False, True, True, True, True]
    assert "too poorly known to promise" in plans[0].notes[-1]
    assert best[-1]["sites"] == best[-1]["sites_if_known"]
    assert all(90 <= row["power_percent"] < 93 for row in best)


def test_power_is_the_share_of_simulated_differences_with_a_scatter_drawn_from_what_is_known():
    """A pair of sites each: χ² of the scatter, then Student's t, by drawing."""
    scatter, sites, rng = SiteScatter(0.05**2, 6, 1, 0.0, KNOWN, paired=True), 12, np.random.default_rng(3)
    true = 0.05 * np.sqrt(6 / rng.chisquare(6, 40_000))
    values = rng.normal(STEP, true, (sites, 40_000))
    t = values.mean(axis=0) / values.std(axis=0, ddof=1) * np.sqrt(sites)
    assert_allclose(mean_power(scatter, Aim(), sites, 1), np.mean(t > 2.200985), atol=0.01)  # t of 11 dof, 0.975


def test_repeats_pay_where_they_scatter_and_sites_are_dear():
    noisy = SiteScatter(0.02**2 + 0.06**2 / 3, 40, 3, 0.06**2, 200)
    quiet = SiteScatter(0.05**2, 40, 3, 0.005**2, 200)
    dear = Aim(minutes_per_site=30.0)
    chosen = [plan.options[plan.options["cheapest"]]["repeats"].item() for plan in (
        plan_session(noisy, dear), plan_session(noisy), plan_session(quiet, dear))]  # fmt: skip
    assert chosen[0] > chosen[1] >= 3 > chosen[2] == 1
    assert "More repeats at each site are cheaper" in plan_session(noisy, dear).notes[2]
    assert "More sites with fewer repeats" in plan_session(quiet).notes[2]


def test_minutes_are_those_of_both_tips():
    row = plan_session(
        SiteScatter(0.04**2, 12, 3, 0.02**2, 30), Aim(minutes_per_site=7, minutes_per_repeat=2)
    ).options.iloc[2]
    assert row["minutes"] == 2 * row["sites"] * (7 + 2 * row["repeats"])


def test_what_no_session_can_tell_is_said():
    plan = plan_session(SiteScatter(0.5**2, 12, 3, 0.02**2, 30), Aim(percent=1))
    assert not plan.promised
    assert "more than 200 sites of each tip are needed: ask for a larger difference" in plan.notes[-1]
    with pytest.raises(ValueError, match=r"give a positive difference, and a power from 0.5"):
        plan_session(SiteScatter(0.04**2, 12, 3, 0.02**2, 30), Aim(power=1.0))


def repeats_of(values: dict[tuple[str, str, str], list[float]]) -> pd.DataFrame:
    """Repeats with these ln φ at (tip, state, site)."""
    rows = [(*place, np.exp(y / 2)) for place, own in values.items() for y in own]
    table = pd.DataFrame(rows, columns=["tip", "state", "site", "decay_per_nm"])
    return table.assign(sample="gold", decay_se_per_nm=0.01, repeat=0.0, dof=50.0, sweeps=2)


def test_scatter_is_pooled_over_tips_and_sites():
    """By hand: site means 1, 3 and 5, 5, 8 (squares 2 and 6, 3 degrees of freedom); repeats ±1 about them (10 / 5)."""
    found = site_scatter(repeats_of({
        ("a", "", "1"): [0, 2], ("a", "", "2"): [2, 4],
        ("b", "", "1"): [4, 6], ("b", "", "2"): [4, 6], ("b", "", "3"): [7, 9],
    }))  # fmt: skip
    assert_allclose([found.variance, found.dof, found.repeats], [8 / 3, 3, 2])
    assert_allclose([found.repeat_variance, found.repeat_dof], [2, 5])
    assert found.at(2) == pytest.approx(8 / 3)
    assert found.at(4) == pytest.approx(8 / 3 - 1 + 0.5)


def test_changes_at_revisited_sites_are_the_scatter_of_pairs():
    """Changes 1, 3 of one tip and 0, 4 of the other: squares 2 and 8 with 2 degrees of freedom."""
    ends = {("a", "1"): 1, ("a", "2"): 3, ("b", "1"): 0, ("b", "2"): 4}
    both = {(tip, "before", site): [0.0] for tip, site in ends} | {
        (t, "after", s): [float(y)] for (t, s), y in ends.items()
    }
    found = site_scatter(repeats_of(both), by="state")
    assert (found.paired, found.units) == (True, "revisited sites")
    assert_allclose([found.variance, found.dof], [5, 2])
    apart = repeats_of({(tip, state, site + state): y for (tip, state, site), y in both.items()})
    found = site_scatter(apart, by="state")
    assert (found.paired, found.units) == (False, "sites in each state")
    assert found.dof == 4


def test_three_states_have_two_degrees_of_freedom_for_each_site_and_not_three():
    """Each pair of states has the scatter 2 σ² here; three pairs at four sites of a tip hold 2 × 3 independent changes."""
    rng = np.random.default_rng(5)
    found = site_scatter(
        repeats_of({("a", state, str(site)): [float(rng.normal())] for state in ("x", "y", "z") for site in range(4)}),
        by="state",
    )
    assert found.dof == 6


def test_one_site_tells_no_scatter():
    with pytest.raises(ValueError, match="Measure one tip at three sites or more"):
        site_scatter(repeats_of({("a", "", "1"): [0, 2]}))


def test_a_plan_keeps_its_promise_in_a_few_sessions(monkeypatch: pytest.MonkeyPatch):
    """A small part of scripts/studies/planner.py, with wide bounds."""
    monkeypatch.syspath_prepend(str(Path(__file__).resolve().parents[2] / "scripts"))
    from studies import planner

    found = planner.measure(planner.CASES[6], np.random.default_rng(1), 20)
    assert 65 <= found[0].value <= 100
    assert found[1].kept
