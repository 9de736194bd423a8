"""Variance components against NIST certified values, balanced closed form and planted scatter; advice; budget."""

from __future__ import annotations

from importlib.resources import files

import numpy as np
import pandas as pd
import pytest
from comparing.examples import make_repeats
from numpy.testing import assert_allclose
from scipy import stats

from sts.comparing import advice, calibration_factor, site_level, tip_level, variance_components
from sts.comparing.components import nested_variances, units_to_halve

# NIST/ITL Statistical Reference Datasets, one-way analysis of variance: certified F and residual standard deviation
# (in the scipy wheel, scipy/stats/tests/data/nist_anova).
NIST = {
    "SiRstv": (1.18046237440255, 1.04076068334656e-01),
    "AtmWtAg": (1.59467335677930e01, 1.51048314446410e-05),
    "SmLs01": (2.1e01, 1.0e-01),
    "SmLs04": (2.1e01, 1.0e-01),
}


@pytest.mark.parametrize("name", NIST)
def test_mean_squares_agree_with_nist_certified_values(name: str):
    path = files("scipy.stats") / "tests" / "data" / "nist_anova" / f"{name}.dat"
    if not path.is_file():
        pytest.skip("this scipy was installed without its test data")
    group, y = np.loadtxt(path.read_text().splitlines()[60:]).T
    site = np.unique(group, return_inverse=True)[1]
    zero = np.zeros_like(site)
    variance, dof, ms = nested_variances(y, zero, zero, site)
    f, residual_sd = NIST[name]
    tolerance = 1e-10 if name != "SmLs04" else 1e-6  # seven constant leading digits
    assert_allclose(ms[1] / ms[2], f, rtol=tolerance * 10)
    assert_allclose(np.sqrt(ms[2]), residual_sd, rtol=tolerance * 10)
    # Balanced one-way layout: between-group variance = (MS_between - MS_within)/n, textbook closed form.
    n = np.bincount(site)
    if len(set(n)) == 1:
        assert_allclose(variance[1], (ms[1] - ms[2]) / n[0], rtol=1e-9)
    assert np.isnan(variance[0])
    assert dof[1] == len(n) - 1


def test_balanced_nested_layout_has_the_textbook_expected_mean_squares():
    rng = np.random.default_rng(2)
    y = rng.normal(size=(5, 4, 3)) + 2 * rng.normal(size=(5, 4, 1)) + 3 * rng.normal(size=(5, 1, 1))
    tip, site = np.repeat(np.arange(5), 12), np.repeat(np.arange(20), 3)
    variance, dof, ms = nested_variances(y.ravel(), np.zeros(60, int), tip, site)
    within = y.var(axis=2, ddof=1).mean()
    sites = 3 * y.mean(axis=2).var(axis=1, ddof=1).mean()
    tips = 12 * y.mean(axis=(1, 2)).var(ddof=1)
    assert_allclose(ms, [tips, sites, within])
    assert_allclose(variance, [(tips - sites) / 12, (sites - within) / 3, within])
    assert list(dof) == [4, 15, 40]


def test_unbalanced_estimates_are_unbiased():
    """Average over 4,000 simulated layouts with unequal numbers of sites and repeats on two samples."""
    rng = np.random.default_rng(8)
    repeats = np.array([1, 2, 5, 3, 3, 1, 4, 2, 2, 6])
    tip_of_site = np.array([0, 0, 0, 1, 2, 2, 3, 4, 4, 4])
    sample_of_tip = np.array([0, 0, 0, 1, 1])
    site = np.repeat(np.arange(10), repeats)
    tip = tip_of_site[site]
    sample = sample_of_tip[tip]
    found = np.array([
        nested_variances(
            3 * rng.normal(size=5)[tip] + 2 * rng.normal(size=10)[site] + rng.normal(size=len(site)) + 50 * sample,
            sample, tip, site,
        )[0]
        for _ in range(4000)
    ])  # fmt: skip
    error = found.std(axis=0) / np.sqrt(4000)
    assert (np.abs(found.mean(axis=0) - [9, 4, 1]) < 4 * error).all()


def test_planted_scatter_comes_back_in_eV_with_its_share():
    names = {str(i): 4.5 for i in range(60)}
    table = variance_components(make_repeats(names, site_sd=0.03, noise=0.2, seed=1)).set_index("level")
    assert_allclose(table["sd_eV"]["site"], 2 * 4.5 * 0.03, rtol=0.12)
    assert_allclose(table["sd_eV"]["repeat"], 2 * 4.5 * 0.2 / 21.7, rtol=0.12)
    assert_allclose(table["share"].sum(), 1)
    assert table["share"]["tip"] < 0.1
    # The intraclass correlation is the share of all that lies above: a closed form, of no meaning for the repeat itself.
    square = table["sd_eV"] ** 2
    assert_allclose(table["icc"]["site"], square[["tip", "site"]].sum() / square.sum())
    assert np.isnan(table["icc"]["repeat"])


def test_design_effect_is_that_of_the_textbook():
    """25 curves at an intraclass correlation of 0.6 are worth 25/(1 + 24 × 0.6) = 1.6 (closed form)."""
    repeats = make_repeats({str(i): 4.0 + 0.1 * i for i in range(6)}, site_sd=0.02)
    row = variance_components(repeats).set_index("level").loc["tip"]
    assert_allclose(row["design_effect"], 1 + (12 - 1) * row["icc"])
    assert_allclose(25 / (1 + 24 * 0.6), 1.62, atol=0.01)


def test_one_tip_has_no_scatter_between_tips_and_says_so():
    table = variance_components(make_repeats({"a": 4.4})).set_index("level")
    assert np.isnan(table["sd_eV"]["tip"])
    assert "cannot be estimated" in table["note"]["tip"]


def test_number_of_sites_that_halves_the_interval():
    """From four sites: t(3) = 3.182 over 2 is 1.591; t(8)/3 = 0.769 is the first below half of it (t tables)."""
    assert units_to_halve(4) == 5
    assert stats.t.ppf(0.975, 8) / 3 < 3.182 / 4 < stats.t.ppf(0.975, 7) / np.sqrt(8)


def test_advice_names_what_weighs_most():
    calibration = calibration_factor(0.34, 0.03, "graphite")
    repeats = make_repeats({"a": 4.4, "b": 4.9}, sites={"a": 4, "b": 1}, site_sd=0.02, made_by={"a": "cut", "b": "cut"})
    tips = tip_level(site_level(repeats, calibration=calibration), calibration=calibration)
    text = "\n".join(advice(tips, by="made_by"))
    assert "a on gold: ±" in text
    assert "5 more sites would halve it" in text
    assert "b on gold: one site" in text
    assert "a better height calibration comes first" in text
    assert "made_by cut: 2 tips; 1 more tip would halve" in text


def test_what_more_repeats_would_gain_is_the_noise_of_a_site_beside_the_scatter():
    """Without noise a site scatters by 0.03 instead of hypot(0.03, 0.04) = 0.05 eV: two fifths less."""
    row = {"tip": "a", "sample": "", "sites": 4, "barrier_low_eV": 4.0, "barrier_high_eV": 4.2, "barrier_se_eV": 0.03,
           "calibration_se_eV": 0.0}  # fmt: skip
    noisy, quiet, exact = (
        advice(pd.DataFrame([row | {"between_site_sd_eV": scatter, "site_noise_eV": noise}]))
        for scatter, noise in ((0.03, 0.04), (0.04, 0.03), (0.0, 0.0))
    )
    assert "40 %" in noisy[0]
    assert "20 %" in quiet[0]
    assert "would hardly narrow it" in exact[0]
