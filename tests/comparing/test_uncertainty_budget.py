"""The budget adds up, and says for which gap the sizes of its models are."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
from comparing.examples import make_repeats
from numpy.testing import assert_allclose

from sts.comparing import budget, calibration_factor, corrected_barrier, site_level, tip_level
from sts.curves.planar_barrier import image_force_barrier, tilted_barrier


def test_corrections_are_made_only_where_they_mean_something():
    assert corrected_barrier(4.4, [], bias_V=None, gap_nm=0.8) == 4.4
    assert_allclose(tilted_barrier(corrected_barrier(4.4, ["bias"], bias_V=-1, gap_nm=0.8), 0.8, 1), 4.4, rtol=1e-5)
    both = corrected_barrier(4.4, ["bias", "image force"], bias_V=0.3, gap_nm=0.8)
    assert_allclose(image_force_barrier(both, 0.8, 0.3), 4.4, rtol=1e-5)
    assert math.isnan(corrected_barrier(4.4, ["bias"], bias_V=None, gap_nm=0.8))
    assert math.isnan(corrected_barrier(0.7, ["image force"], bias_V=0.1, gap_nm=0.8))  # no clean gap, no image


def test_sizes_of_the_models_hang_on_the_gap_and_say_for_which_they_are():
    tips = tip_level(site_level(make_repeats({"a": 4.4}, site_sd=0.03)))
    barrier = tips["barrier_eV"][0]
    wide = budget(tips, bias_V=1.0).set_index("component")
    assert "in a gap of 0.8 nm, which is assumed" in wide["note"]["image force"]
    assert_allclose(wide["size_eV"]["bias"], 10.25 * 0.8 / (24 * barrier**0.5), rtol=0.03)  # A s V²/(24 √φ)
    assert "at most 0.5 eV" in wide["note"]["bias"]
    close = budget(tips, bias_V=1.0, gap_nm=0.6).set_index("component")
    assert close["size_eV"]["image force"] > 1.25 * wide["size_eV"]["image force"]
    assert f"{close['size_eV']['image force']:.2f} eV in one of 0.6 nm" in wide["note"]["image force"]
    low = tip_level(site_level(make_repeats({"a": 1.3}, site_sd=0.01)))
    assert "no barrier left in one of 0.3 nm" in budget(low, gap_nm=0.4).set_index("component")["note"]["image force"]


def test_budget_splits_random_calibration_and_model():
    calibration = calibration_factor(0.335395, 0.335395 * 0.05, "graphite")
    tips = tip_level(site_level(make_repeats({"a": 4.4, "dirty": 0.7}, site_sd=0.03)))
    table = budget(tips, calibration, bias_V=-0.1)
    rows = table[table["tip"] == "a"].set_index("component")
    random = rows[rows["kind"] == "random"]["size_eV"]
    assert_allclose(np.sqrt(np.sum(random**2)), tips["barrier_se_eV"][0])
    assert_allclose(rows["size_eV"]["height scale"], 0.1 * tips["barrier_eV"][0], rtol=1e-3)
    assert 0 < rows["size_eV"]["bias"] < 0.003
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


def test_what_a_bench_shares_has_lines_of_its_own_and_all_add_up():
    repeats = make_repeats({"a": 4.4, "b": 4.4}).assign(decay_common_per_nm=0.2)
    tips = tip_level(site_level(repeats))
    motion = pd.DataFrame({"sample": tips["sample"][0], "tip": ["a"], "motion_percent": [1.0]})
    table = budget(tips, motion=motion)
    for tip in tips.to_dict("records"):
        rows = table[(table["tip"] == tip["tip"]) & table["kind"].isin(["random", "bench"])].set_index("component")[
            "size_eV"
        ]
        assert_allclose(np.sqrt(np.nansum(rows**2)), tip["barrier_se_eV"])
        shared = np.hypot(rows["zero of the current"], rows.get("motion of the piezo", 0.0))
        assert_allclose(shared, 2 * tip["barrier_eV"] * 0.2 / tip["decay_per_nm"])
    assert_allclose(table.loc[table["component"] == "motion of the piezo", "size_eV"], 0.01 * tips["barrier_eV"][0])
