"""The budget adds up, and the image force is that of an independent integration."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from comparing.examples import make_repeats
from numpy.testing import assert_allclose
from scipy import constants

from sts.comparing import (
    budget,
    calibration_factor,
    corrected_barrier,
    image_force_ratio,
    site_level,
    tip_level,
    true_barrier,
)


@pytest.mark.parametrize(("gap", "ratio"), [(0.6, 0.72), (0.8, 0.78), (1.0, 0.82)])
def test_image_force_bound_agrees_with_an_independent_integration(gap: float, ratio: float):
    """Adaptive quadrature of the sum over images, term by term, instead of the closed form.

    The rounded ratios for 4 eV were found in an earlier, separate calculation.
    """
    from scipy import integrate, optimize

    phi, images = 4.0, np.arange(1, 4001)

    def height(z: float, s: float) -> float:
        pull = 1 / (2 * z) + np.sum(images * s / ((images * s) ** 2 - z**2) - 1 / (images * s))
        return phi - constants.e / (8 * math.pi * constants.epsilon_0) * 1e9 * pull

    def action(s: float) -> float:
        turn = optimize.brentq(height, 1e-4, s / 2, args=(s,))
        return 2 * integrate.quad(lambda z: math.sqrt(max(height(z, s), 0)), turn, s / 2, limit=200, epsabs=1e-7)[0]

    slope = (action(gap + 0.01) - action(gap - 0.01)) / 0.02
    assert_allclose(image_force_ratio(phi, gap), slope**2 / phi, rtol=2e-3)
    assert_allclose(image_force_ratio(phi, gap), ratio, atol=0.005)


def test_corrections_are_made_only_where_they_mean_something():
    """Half the bias: the mean of a trapezoidal barrier (J. G. Simmons, J. Appl. Phys. 34, 1793 (1963), V < φ)."""
    assert corrected_barrier(4.4, [], bias_V=None, gap_nm=0.8) == 4.4
    assert_allclose(corrected_barrier(4.4, ["bias"], bias_V=-0.3, gap_nm=0.8), 4.55)
    both = corrected_barrier(4.4, ["bias", "image force"], bias_V=0.3, gap_nm=0.8)
    assert_allclose(both * image_force_ratio(both, 0.8), 4.55, rtol=1e-5)
    assert math.isnan(corrected_barrier(4.4, ["bias"], bias_V=None, gap_nm=0.8))
    assert math.isnan(corrected_barrier(0.7, ["image force"], bias_V=0.1, gap_nm=0.8))  # no clean gap, no image


def test_true_barrier_inverts_the_image_force():
    assert_allclose(true_barrier(5.0 * image_force_ratio(5.0, 0.8), 0.8), 5.0, rtol=1e-5)
    assert math.isnan(image_force_ratio(1.0, 0.4))  # the image potential has pulled the barrier away


def test_budget_splits_random_calibration_and_model():
    calibration = calibration_factor(0.335395, 0.335395 * 0.05, "graphite")
    tips = tip_level(site_level(make_repeats({"a": 4.4, "dirty": 0.7}, site_sd=0.03)))
    table = budget(tips, calibration, bias_V=-0.1)
    rows = table[table["tip"] == "a"].set_index("component")
    random = rows[rows["kind"] == "random"]["size_eV"]
    assert_allclose(np.sqrt(np.sum(random**2)), tips["barrier_se_eV"][0])
    assert_allclose(rows["size_eV"]["height scale"], 0.1 * tips["barrier_eV"][0], rtol=1e-3)
    assert_allclose(rows["size_eV"]["bias"], 0.05)
    assert 0.6 < rows["size_eV"]["image force"] < 1.2
    dirty = table[(table["tip"] == "dirty") & (table["component"] == "image force")].iloc[0]
    assert np.isnan(dirty["size_eV"])
    assert "not applicable" in dirty["note"]


def test_budget_without_calibration_says_what_is_missing():
    table = budget(tip_level(site_level(make_repeats({"a": 4.4}))))
    note = table.loc[table["component"] == "height scale", "note"].iloc[0]
    assert "not calibrated" in note


def test_budget_holds_the_bend_of_the_tip_that_has_one():
    tips = tip_level(site_level(make_repeats({"a": 4.4, "b": 4.4})))
    bends = pd.DataFrame({"sample": tips["sample"][0], "tip": ["a", "a"], "bound_percent": [2.0, 5.0]})
    shape = budget(tips, bends=bends).set_index("component").loc[["shape"]]
    assert list(shape["tip"]) == ["a"]
    assert_allclose(shape["size_eV"], 0.05 * tips["barrier_eV"][0])
    assert shape["kind"].iloc[0] == "model"
    assert "rectangular" in shape["note"].iloc[0]
