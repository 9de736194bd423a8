"""Decisions by hand: told which way they go, cautioned against when chosen by result and hardly ever when not."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from often import repeated
from scipy import stats

from sts.comparing.by_hand import ONE_SIDED, by_hand

TIPS, SITES, REPEATS = 3, 4, 6


def session(generator: np.random.Generator, *, site_sd: float = 1.0) -> pd.DataFrame:
    """Three tips at four sites with six repeats in two directions: values of their sites, drift apart by direction."""
    tip, site, repeat, way = (a.ravel() for a in np.indices((TIPS, SITES, REPEATS, 2)))
    of_site = generator.normal(0, site_sd, (TIPS, SITES))[tip, site]
    value = 20 + of_site + generator.normal(0, 1, (TIPS, SITES, REPEATS))[tip, site, repeat]
    value += 0.5 * (2 * way - 1) + generator.normal(0, 0.3, value.size)
    return pd.DataFrame(
        {
            "sweep": [f"t{t}_s{s}_r{r}_{w}" for t, s, r, w in zip(tip, site, repeat, way, strict=True)],
            "kind": "iz", "sample": "gold", "tip": [f"tip {t}" for t in tip], "place": SITES * tip + site,
            "replicate": REPEATS * (SITES * tip + site) + repeat, "value": value, "by_rule": True, "used": True,
        }
    )  # fmt: skip


def tips_of(sweeps: pd.DataFrame) -> pd.DataFrame:
    """Means of sites with Student's interval over them: what the tips' table holds."""
    sites = sweeps[sweeps["used"]].groupby(["sample", "tip", "place"])["value"].mean().reset_index()
    found = sites.groupby(["sample", "tip"])["value"].agg(["mean", "sem", "count"]).reset_index()
    half = stats.t.ppf(0.975, found["count"] - 1) * found["sem"]
    return found.assign(
        barrier_eV=found["mean"], barrier_low_eV=found["mean"] - half, barrier_high_eV=found["mean"] + half
    )


def cautions(sweeps: pd.DataFrame, omitted: np.ndarray) -> tuple[str, ...]:
    return by_hand(sweeps.assign(used=~omitted), tips_of(sweeps), tips_of(sweeps.assign(used=~omitted))).cautions


@repeated(30, 150)
@pytest.mark.parametrize("unit", ["sweep", "replicate"])
@pytest.mark.parametrize("share", [0.1, 0.33])
def test_omissions_at_random_are_hardly_ever_cautioned_against(unit: str, share: float, repeats: int) -> None:
    """At most ONE_SIDED of the sessions, with the binomial's three standard errors above it."""
    generator, said = np.random.default_rng(5), 0
    for _ in range(repeats):
        sweeps = session(generator)
        names = sweeps[unit].unique()
        some = generator.choice(names, int(share * len(names)), replace=False)
        said += bool(cautions(sweeps, sweeps[unit].isin(some).to_numpy()))
    assert said / repeats <= ONE_SIDED + 3 * np.sqrt(ONE_SIDED * (1 - ONE_SIDED) / repeats)


@repeated(50, 100)
def test_whole_sites_left_out_at_random_are_hardly_ever_cautioned_against(repeats: int) -> None:
    generator, said = np.random.default_rng(6), 0
    for _ in range(repeats):
        sweeps = session(generator)
        said += bool(cautions(sweeps, sweeps["place"].isin(generator.choice(12, 2, replace=False)).to_numpy()))
    assert said / repeats <= 0.08


def test_six_decisions_of_a_tip_one_way_are_one_sided_and_five_are_not() -> None:
    """The sign test: 2/2^5 = 0.0625 and 2/2^6 = 0.031 on both sides of 0.05 (closed form)."""
    sweeps = session(np.random.default_rng(11)).assign(replicate=np.arange(2 * TIPS * SITES * REPEATS))
    centre = sweeps.groupby("place")["value"].transform("median")
    low = np.flatnonzero((sweeps["tip"] == "tip 1") & (sweeps["value"] < centre))
    five, six = (
        by_hand(sweeps.assign(used=~sweeps.index.isin(low[:n])), *[pd.DataFrame()] * 2).cautions for n in (5, 6)
    )
    assert five == ()
    assert len(six) == 1
    assert six[0].startswith("tip 1: 6 of 6 decisions by hand raise the barrier")


@repeated(20, 40)
@pytest.mark.parametrize("site_sd", [0.3, 1.0])
def test_leaving_out_the_lowest_third_is_cautioned_against(site_sd: float, repeats: int) -> None:
    generator, said = np.random.default_rng(7), 0
    for _ in range(repeats):
        sweeps = session(generator, site_sd=site_sd)
        lowest = sweeps.groupby("place")["value"].rank(pct=True).to_numpy() <= 1 / 3
        said += bool(cautions(sweeps, lowest))
    assert said == repeats


def test_the_way_is_told_and_the_move_from_the_rule() -> None:
    sweeps = session(np.random.default_rng(1))
    in_site = (sweeps["place"] == 2).to_numpy()
    centre = sweeps.loc[in_site, "value"].median()
    low, high = (np.flatnonzero(in_site & side)[0] for side in (sweeps["value"] < centre, sweeps["value"] > centre))
    now = sweeps["used"].to_numpy().copy()
    now[[low, high]] = False
    rule = sweeps.copy()
    rule.loc[rule.index[[high]], "by_rule"] = False  # left out by rule, kept by hand below
    now[high] = True
    found = by_hand(rule.assign(used=now), tips_of(rule.assign(used=rule["by_rule"])), tips_of(rule.assign(used=now)))
    assert sorted(found.sweeps[["omitted", "side"]].to_numpy().tolist()) == [[False, 1], [True, 1]]
    row = found.tips.iloc[0]
    assert (row["omitted"], row["kept"], row["raised"], row["lowered"]) == (1, 1, 2, 0)
    assert row["barrier_eV"] > row["by_rule_eV"]
    assert "1 sweep left out that the rules would use, 1 sweep used that the rules would leave out" in found.sentence
    assert "2 raise the barrier of their tip and 0 lower it" in found.sentence


def test_an_answer_moved_beyond_its_interval_is_cautioned_against() -> None:
    sweeps = session(np.random.default_rng(2), site_sd=0.2)
    tip = (sweeps["tip"] == "tip 1").to_numpy()
    omitted = tip & (sweeps["value"] < sweeps.loc[tip, "value"].quantile(0.8)).to_numpy()
    said = cautions(sweeps, omitted)
    assert any("tip 1: decisions by hand move its barrier from" in words for words in said)


def test_without_decisions_nothing_is_said() -> None:
    sweeps = session(np.random.default_rng(3))
    found = by_hand(sweeps, tips_of(sweeps), tips_of(sweeps))
    assert found.sentence == ""
    assert found.cautions == ()
    assert found.tips.empty


def test_spectra_are_counted_by_their_current_and_unknown_values_by_no_side() -> None:
    sweeps = session(np.random.default_rng(4)).assign(kind="iv")
    sweeps.loc[0, "value"] = np.nan
    used = np.arange(len(sweeps)) > 5
    found = by_hand(sweeps.assign(used=used), pd.DataFrame(), pd.DataFrame())
    assert found.sweeps["side"].iloc[0] == 0
    assert "current of their tip" in found.sentence
    assert found.tips["by_rule_eV"].isna().all()


def decided(names: list[str]) -> str:
    """What is said of so many decisions, each of the person named."""
    sweeps = session(np.random.default_rng(2))
    who = names + [""] * (len(sweeps) - len(names))
    return by_hand(sweeps.assign(used=np.arange(len(sweeps)) >= len(names), by=who), *[pd.DataFrame()] * 2).sentence


def test_it_is_said_by_whom() -> None:
    assert "Decided by anna. " in decided(["anna"] * 4)
    assert "Decided by anna (2), ben (1); of 1 it was not recorded by whom. " in decided(["anna", "", "ben", "anna"])
    assert "By whom was not recorded. " in decided(["", ""])
    assert "Decided by a (3), b (1), c (1), 2 others (2). " in decided(["a", "a", "a", "b", "c", "d", "e"])


SWEEPS, POINTS = 18, 60
AS_BY_RULE = session(np.random.default_rng(1))


def spectra(generator: np.random.Generator, common: float) -> tuple[np.ndarray, np.ndarray]:
    """Derivatives (m, n) of sweeps whose height differs by a share `common`, with smooth noise of 5 %; and their truth (n,)."""
    truth = 1 + np.linspace(-1, 1, POINTS) ** 2
    noise = generator.normal(0, 1, (SWEEPS, POINTS + 8)).cumsum(axis=1)
    smooth = (noise[:, 8:] - noise[:, :-8]) / np.sqrt(8)
    return truth * (1 + common * generator.normal(0, 1, (SWEEPS, 1))) + 0.05 * smooth, truth


def points_of(each: np.ndarray, kept: np.ndarray) -> pd.DataFrame:
    """The band of all, Student's, and the mean of those that are kept."""
    half = stats.t.ppf(0.975, len(each) - 1) * stats.sem(each)
    middle = each.mean(axis=0)
    return pd.DataFrame(
        {
            "spectrum": "gold",
            "quantity": "dI/dV",
            "low": middle - half,
            "high": middle + half,
            "now": each[kept].mean(axis=0),
        }
    )


def told(points: pd.DataFrame) -> bool:
    return bool(by_hand(AS_BY_RULE, pd.DataFrame(), pd.DataFrame(), points).cautions)


@pytest.mark.parametrize("common", [0.0, 0.1])
@pytest.mark.parametrize("omitted", [2, 6])
def test_a_spectrum_seldom_leaves_its_band_by_omissions_at_random(common: float, omitted: int) -> None:
    """Of 18 sweeps up to a third are left out; of 200 spectra each none was told, of these 40 one may be."""
    generator, said = np.random.default_rng(8), 0
    for _ in range(40):
        each, _ = spectra(generator, common)
        kept = np.ones(SWEEPS, bool)
        kept[generator.choice(SWEEPS, omitted, replace=False)] = False
        said += told(points_of(each, kept))
    assert said <= 1


def test_a_spectrum_that_is_chosen_by_its_height_or_by_a_peak_is_told() -> None:
    generator, lowest, peaked = np.random.default_rng(9), 0, 0
    for _ in range(20):
        each, truth = spectra(generator, 0.1)
        height = (each / truth).mean(axis=1)
        lowest += told(points_of(each, height > np.sort(height)[7]))
        each, _ = spectra(generator, 0.0)
        at = each[:, 25:33].mean(axis=1)  # what looks most like a peak there
        peaked += told(points_of(each, at > np.sort(at)[8]))
    assert (lowest >= 18, peaked >= 18) == (True, True), (lowest, peaked)


def test_a_spectrum_that_moved_out_of_its_band_is_named_with_how_many_points() -> None:
    points = pd.DataFrame(
        {"spectrum": "gold, 1 nA", "quantity": "dI/dV", "low": [0.0] * 10, "high": 1.0, "now": [2.0, -1.0] + [0.5] * 8}
    )
    found = by_hand(session(np.random.default_rng(1)), pd.DataFrame(), pd.DataFrame(), points)
    assert len(found.cautions) == 1
    assert found.cautions[0].startswith(
        "gold, 1 nA: decisions by hand move its dI/dV out of its band by rule at 2 of 10 points: "
    )
    assert found.spectra.to_dict("records") == [
        {"spectrum": "gold, 1 nA", "quantity": "dI/dV", "points": 10, "beyond": 2}
    ]
    unknown = points.assign(low=np.nan)  # a single sweep has no band to leave
    assert not by_hand(session(np.random.default_rng(1)), pd.DataFrame(), pd.DataFrame(), unknown).cautions
