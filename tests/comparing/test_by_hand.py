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


@repeated(60, 150)
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


def test_whole_sites_left_out_at_random_are_hardly_ever_cautioned_against() -> None:
    generator, said, sessions = np.random.default_rng(6), 0, 100
    for _ in range(sessions):
        sweeps = session(generator)
        said += bool(cautions(sweeps, sweeps["place"].isin(generator.choice(12, 2, replace=False)).to_numpy()))
    assert said / sessions <= 0.08


@pytest.mark.parametrize("site_sd", [0.3, 1.0])
def test_leaving_out_the_lowest_third_is_cautioned_against(site_sd: float) -> None:
    generator, said, sessions = np.random.default_rng(7), 0, 40
    for _ in range(sessions):
        sweeps = session(generator, site_sd=site_sd)
        lowest = sweeps.groupby("place")["value"].rank(pct=True).to_numpy() <= 1 / 3
        said += bool(cautions(sweeps, lowest))
    assert said == sessions


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
