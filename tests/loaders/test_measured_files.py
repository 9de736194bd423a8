"""Measured files from public repositories, read through recipes kept in tests/recipes.

The expected numbers stand in the files themselves (first and last rows, by eye) or come from general readers
(numpy, pandas, h5py), never from our own reader.
"""

from __future__ import annotations

from pathlib import Path

import h5py
import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from sts.loaders import Recipe, UnreadableFile, preview_file, read_file, read_recipe

RECIPES = Path(__file__).resolve().parents[1] / "recipes"


def recipe(name: str):
    return read_recipe(RECIPES / f"{name}.toml")


@pytest.mark.parametrize(("which", "tag"), [("cbt-copper", "Cu"), ("cbt-indium", "In")])
def test_two_arrays_on_one_bias_are_told_apart_by_the_recipe(opendata, which, tag):
    path = opendata / "cbt-array-calibration" / "d475.csv"
    (sweeps,) = read_file(path, recipe=recipe(which)).sets
    plain = pd.read_csv(path)
    assert (sweeps.kind, sweeps.current.shape, sweeps.lockin_unit) == ("iv", (4, 1001), "S")
    assert_allclose(sweeps.axis, plain["bias_mV"] / 1000, rtol=1e-15)
    for i in range(4):
        assert_array_equal(sweeps.current[i], plain[f"I_{tag}_A_s{i + 1}"])  # NaN in the same places
        assert_array_equal(sweeps.lockin[i], plain[f"g_{tag}_S_s{i + 1}"])
    assert list(sweeps.table["repeat"]) == [1, 2, 3, 4]


def test_hdf5_gives_the_same_numbers_as_the_text(opendata):
    folder = opendata / "cbt-array-calibration"
    (text,) = read_file(folder / "d483.csv", recipe=recipe("cbt-copper")).sets
    (arrays,) = read_file(folder / "d483.h5", recipe=recipe("cbt-copper-h5")).sets
    with h5py.File(folder / "d483.h5") as file:
        assert_array_equal(arrays.current, np.asarray(file["ICu"], float).T)
    assert_allclose(arrays.current, text.current, rtol=2e-8)  # the text has nine digits
    assert_allclose(arrays.lockin, text.lockin, rtol=2e-8)
    assert_allclose(arrays.axis, text.axis, atol=1e-10)


def test_lockin_without_unit_stays_without_unit(opendata):
    (sweeps,) = read_file(opendata / "sts-nbs2-line" / "figure3b_sts.txt", recipe=recipe("nbs2")).sets
    assert sweeps.lockin.shape == (7, 334)
    assert sweeps.lockin_unit == ""
    assert not sweeps.has_current
    assert sweeps.axis[0] == -0.025
    assert sweeps.lockin[0, -1] == 2.059474119020521e-11  # first row of the file: 25 mV
    assert set(sweeps.table["direction"]) == {"down"}  # it runs from +25 to -25 mV
    assert set(sweeps.table["temperature_K"]) == {0.35}


@pytest.mark.parametrize(("run", "fields", "points"), [("15", 201, 201), ("77", 101, 151)])
def test_long_table_gives_one_sweep_a_field(opendata, run, fields, points):
    path = opendata / "nis-eus-al-sample1" / f"{run}.dat"
    (sweeps,) = read_file(path, recipe=recipe("nis-map")).sets
    plain = pd.read_csv(path, sep="\t")
    assert sweeps.lockin.shape == (fields, points)
    assert_array_equal(sweeps.lockin.ravel(), plain["lockin_6_CondX"])
    assert_array_equal(sweeps.table["field_T"].astype(float), plain["magnet_bpar"].unique())
    assert sweeps.lockin_unit == ""


def test_spectra_side_by_side_with_their_field_in_the_name(opendata):
    path = opendata / "nis-eus-al-sample1" / "run15_selected_spectra.csv"
    (sweeps,) = read_file(path, recipe=recipe("nis-selected")).sets
    plain = pd.read_csv(path)
    assert_array_equal(sweeps.lockin, plain.iloc[:, 1:].T)


def test_sweep_that_turns_twice_is_split_at_its_turning_points(opendata):
    """README of the file: -1.5 -> +1.5 -> -1.5 uA, 802 points, 1 Mohm in series; turning values are repeated."""
    path = opendata / "jj-helimagnet-dvdi" / "critical_current_10.txt"
    loaded = read_file(path, recipe=recipe("jj-measured"))
    assert sum(len(s) for s in loaded.sets) == 2
    assert sum(s.axis.size * len(s) for s in loaded.sets) == 802
    directions = [d for s in loaded.sets for d in s.table["direction"]]
    assert sorted(directions) == ["down", "up"]
    up = next(
        s.select(s.table["direction"].to_numpy() == "up") for s in loaded.sets if "up" in set(s.table["direction"])
    )
    assert_allclose(up.axis[[0, -1]], [-1.5, 1.5], rtol=1e-12)  # 1.5 uA x 1 Mohm
    assert up.current[0, 0] == -1.3463678e-06  # first row of the file
    assert up.lockin[0, 0] == 2.8282128
    assert up.lockin_unit == "ohm"
    assert set(up.table["temperature_K"]) == {0.0200432}
    assert up.table["started"][0] == "March 07, 2024 22:41:38"


def test_sweep_from_zero_and_back_gives_three_runs_and_no_current(opendata):
    """README of the file: 0 -> -2 -> +2 -> 0 uA, 801 points, no measured current."""
    path = opendata / "jj-helimagnet-dvdi" / "critical_current_30_third_cooldown.txt"
    loaded = read_file(path, recipe=recipe("jj-measured"))
    runs = [(s.axis[0], s.axis[-1], d) for s in loaded.sets for d in s.table["direction"]]
    assert len(runs) == 3
    assert_allclose(sorted(r[0] for r in runs), [-2, -2, 0], atol=1e-9)
    assert sorted(r[2] for r in runs) == ["down", "down", "up"]
    assert not any(s.has_current for s in loaded.sets)


def test_resistance_is_not_taken_for_a_conductance_without_a_recipe(opendata):
    with pytest.raises(UnreadableFile, match="recipe"):
        read_file(opendata / "jj-helimagnet-dvdi" / "critical_current_10.txt")


@pytest.mark.parametrize(
    ("name", "points", "end"),
    [("w1_form_50uA", 201, 5.0), ("w1_set_20uA_a", 101, 5.0), ("w1_set_50uA", 101, 5.0), ("w1_reset_8mA", 101, -5.0)],
)
def test_comment_block_between_dashes(opendata, name, points, end):
    path = opendata / "rram-cu-taox-pt-iv" / f"{name}.csv"
    (sweeps,) = read_file(path, recipe=recipe("rram")).sets
    plain = pd.read_csv(path, skiprows=3)
    assert sweeps.axis.size == points
    order = 1 if end > 0 else -1
    assert_array_equal(sweeps.axis, plain["AV"][::order])
    assert_array_equal(sweeps.current[0], plain["AI"][::order])


@pytest.mark.parametrize("name", ["Beckers2017", "Beckers2017b"])
def test_bare_array_and_text_agree(opendata, name):
    folder = opendata / "probe-iv-exponential"
    with pytest.raises(UnreadableFile, match="no bias of a tunnelling junction"):  # nor is it one
        read_file(folder / f"{name}.csv")
    (text,) = read_file(folder / f"{name}.csv", recipe=Recipe(any_size=True)).sets
    (array,) = read_file(folder / f"{name}.npy", recipe=recipe("probe-npy")).sets
    bias, current = np.load(folder / f"{name}.npy")
    assert_array_equal(array.axis, bias)
    assert_array_equal(array.current[0], current)
    assert_allclose(text.current, array.current, rtol=1e-9)  # ten digits in the text


@pytest.mark.parametrize("name", ["Misra1a.dat", "Chwirut2.dat"])
def test_a_table_that_is_no_sweep_is_refused_but_previewed(opendata, name):
    path = opendata / "nist-strd-exponential" / name
    with pytest.raises(UnreadableFile, match="no line above the numbers names the 2 columns"):
        read_file(path)
    preview = preview_file(path)
    assert preview.problem
    assert "column_names = [" in preview.recipe
    assert "so check it" in preview.recipe
