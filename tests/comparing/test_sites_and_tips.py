"""Sites and tips: contract, physics of averaging, hard cases, coverage."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from comparing.examples import make_repeats
from numpy.testing import assert_allclose
from scipy import stats

from sts.comparing import calibration_factor, site_level, tip_level
from sts.comparing.sites_and_tips import SITE_COLUMNS, TIP_COLUMNS
from sts.quantities import decay_from_barrier


def test_columns_keep_the_contract_and_carry_the_users_own():
    repeats = make_repeats({"a": 4.4, "b": 4.9}, made_by={"a": "cut", "b": "etched"})
    sites = site_level(repeats)
    tips = tip_level(sites)
    assert list(sites.columns[: len(SITE_COLUMNS)]) == list(SITE_COLUMNS)
    assert list(tips.columns[: len(TIP_COLUMNS)]) == list(TIP_COLUMNS)
    assert list(tips["made_by"]) == ["cut", "etched"]
    assert list(tips["sites"]) == [4, 4]
    assert list(tips["sweeps"]) == [24, 24]


def test_slopes_are_averaged_before_squaring():
    """Two repeats 20 % to either side: the mean of φ would read 4 % high."""
    repeats = make_repeats({"a": 4.0}, sites=1, repeats=2, noise=0.0)
    repeats["decay_per_nm"] = float(decay_from_barrier(4.0)) * 1e-9 * np.array([0.8, 1.2])
    assert_allclose(site_level(repeats)["barrier_eV"], 4.0, rtol=1e-12)


def test_one_repeat_a_site_has_the_fits_uncertainty_and_says_so():
    sites = site_level(make_repeats({"a": 4.4}, repeats=1, noise=0.2))
    assert_allclose(sites["decay_se_per_nm"], 0.2)
    assert sites["note"].str.contains("one repeat a site").all()


def test_equal_noise_gives_the_plain_t_interval_with_pooled_repeatability():
    """One-way layout: pooled standard deviation with N - k degrees of freedom, by scipy."""
    repeats = make_repeats({"a": 4.4}, sites=5, repeats=3, noise=0.3, seed=3)
    repeats["decay_se_per_nm"] = np.nan
    sites = site_level(repeats)
    groups = [g["decay_per_nm"].to_numpy() for _, g in repeats.groupby("site", sort=False)]
    pooled_sd = np.sqrt(np.mean([np.var(g, ddof=1) for g in groups]))
    assert_allclose(sites["decay_se_per_nm"], pooled_sd / np.sqrt(3), rtol=1e-12)
    low, high = stats.t.interval(0.95, 10, loc=groups[0].mean(), scale=pooled_sd / np.sqrt(3))
    assert_allclose(np.sqrt(sites["barrier_low_eV"] / sites["barrier_eV"])[0], low / groups[0].mean(), rtol=1e-10)
    assert_allclose(np.sqrt(sites["barrier_high_eV"] / sites["barrier_eV"])[0], high / groups[0].mean(), rtol=1e-10)


@pytest.mark.parametrize("sites", [1, 2, 3])
def test_a_tip_of_two_sites_alone_is_said_to_rest_on_one_difference(sites: int):
    note = tip_level(site_level(make_repeats({"a": 4.4}, sites=sites, site_sd=0.02)))["note"][0]
    assert ("two sites: the interval is wide" in note) == (sites == 2)
    assert ("one site: " in note) == (sites == 1)


def test_site_with_a_scatter_of_its_own_leaves_the_pool():
    repeats = make_repeats({"a": 4.4}, sites=5, repeats=4, noise=0.1, seed=1)
    last = repeats["site"] == "a 4"
    repeats.loc[last, "decay_per_nm"] += [-6, 6, -6, 6]
    sites = site_level(repeats)
    assert sites["note"].str.contains("scatter more here").tolist() == [False] * 4 + [True]
    assert (sites["decay_se_per_nm"][:4] < 0.15).all()
    assert sites["decay_se_per_nm"][4] > 2


def test_calibration_stays_apart_and_enters_the_total():
    calibration = calibration_factor(0.335395, 0.335395 * 0.05, "graphite")
    sites = site_level(make_repeats({"a": 4.4}, site_sd=0.02), calibration=calibration)
    tip = tip_level(sites, calibration=calibration).iloc[0]
    assert_allclose(tip["calibration_se_eV"], 0.1 * tip["barrier_eV"], rtol=1e-3)
    assert_allclose(tip["total_se_eV"], np.hypot(tip["calibration_se_eV"], tip["barrier_se_eV"]))
    plain = tip_level(site_level(make_repeats({"a": 4.4}, site_sd=0.02))).iloc[0]
    assert_allclose(tip["barrier_high_eV"], plain["barrier_high_eV"])
    assert np.isnan(plain["calibration_se_eV"])
    assert np.isnan(plain["total_se_eV"])  # what the scale adds is not known: there is no total


def test_tip_with_one_site_has_no_interval_and_says_why():
    tip = tip_level(site_level(make_repeats({"a": 4.4}, sites=1))).iloc[0]
    assert np.isnan([tip["barrier_low_eV"], tip["between_site_sd_eV"]]).all()
    assert "one site" in tip["note"]
    assert tip["barrier_se_eV"] > 0


def test_low_barrier_is_not_called_a_work_function():
    assert "not a work function" in tip_level(site_level(make_repeats({"dirty": 0.7}))).iloc[0]["note"]


def test_rows_without_a_fit_are_left_out_and_the_rest_goes_on():
    repeats = make_repeats({"a": 4.4})
    repeats.loc[0, "decay_per_nm"] = np.nan
    assert site_level(repeats)["repeats"].tolist() == [2, 3, 3, 3]
    with pytest.raises(ValueError, match="No repeat has a fitted slope"):
        site_level(repeats.assign(decay_per_nm=np.nan))
    with pytest.raises(ValueError, match="no column dof"):
        site_level(repeats.drop(columns="dof"))


def test_current_that_grows_with_height_makes_no_barrier():
    repeats = make_repeats({"a": 4.4})
    sites = site_level(repeats.assign(decay_per_nm=-repeats["decay_per_nm"]))
    assert (sites["barrier_eV"] == 0).all()
    assert (tip_level(sites)["barrier_high_eV"] == 0).all()


def test_users_columns_with_names_of_ours_do_no_harm():
    repeats = make_repeats({"a": 4.4}).assign(note="mine", sites=7, barrier_eV=1.0)
    tips = tip_level(site_level(repeats))
    assert tips["sites"].tolist() == [4]
    assert tips["barrier_eV"][0] > 4


def test_unnamed_tips_and_samples_are_a_group_like_any_other():
    repeats = make_repeats({"a": 4.4}).assign(sample="", tip="")
    assert len(tip_level(site_level(repeats))) == 1


def test_order_of_rows_does_not_matter():
    repeats = make_repeats({"a": 4.4, "b": 4.9}, site_sd=0.02)
    shuffled = repeats.sample(frac=1, random_state=1)
    one, two = (tip_level(site_level(r)).sort_values("tip").reset_index(drop=True) for r in (repeats, shuffled))
    pd.testing.assert_frame_equal(one, two)


@pytest.mark.parametrize("excess", [1.0, 2.0])
def test_site_and_tip_intervals_cover_the_planted_truth(excess: float):
    """1,000 tips with 4 sites and 3 repeats; scatter between sites planted, repeats as noisy as stated or twice."""
    names = {str(i): 4.5 for i in range(1000)}
    rng = np.random.default_rng(11)
    slope = float(decay_from_barrier(4.5)) * 1e-9
    repeats = make_repeats(names, noise=0.0, repeats=3)
    site = slope * (1 + 0.02 * rng.normal(size=4000))
    repeats["decay_per_nm"] = np.repeat(site, 3) + excess * 0.3 * rng.normal(size=12000)
    repeats["decay_se_per_nm"] = 0.3
    sites = site_level(repeats)
    true_site = 4.5 * (site / slope) ** 2
    covered = (sites["barrier_low_eV"] < true_site) & (true_site < sites["barrier_high_eV"])
    assert 0.93 < covered.mean() < 0.975
    tips = tip_level(sites)
    covered = (tips["barrier_low_eV"] < 4.5) & (tips["barrier_high_eV"] > 4.5)
    assert 0.93 < covered.mean() < 0.98  # one standard error of the simulation is 0.7 %


def test_a_site_with_many_repeats_does_not_make_the_interval_of_a_tip_too_narrow():
    """One, one, one and twenty repeats at four sites of 1000 equal tips: 86 % where the last site weighed by its repeats."""
    rng = np.random.default_rng(8)
    counts = np.array([1, 1, 1, 20])
    slope = float(decay_from_barrier(4.5)) * 1e-9
    site = np.tile(np.arange(4), 1000)
    decay = slope * (1 + 0.025 * rng.normal(size=4000) + 0.04 / np.sqrt(counts[site]) * rng.normal(size=4000))
    sites = pd.DataFrame(
        {
            "sample": "", "tip": np.repeat(np.arange(1000), 4), "site": site, "sweeps": counts[site], "repeats": counts[site],
            "decay_per_nm": decay, "decay_se_per_nm": 0.04 * slope / np.sqrt(counts[site]), "decay_common_per_nm": 0.0,
            "dof": 200.0,
        }
    )  # fmt: skip
    tips = tip_level(sites)
    held = (tips["barrier_low_eV"] <= 4.5) & (tips["barrier_high_eV"] >= 4.5)
    assert 0.94 < held.mean() < 0.99
