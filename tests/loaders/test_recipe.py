"""Recipes: what they decide, and how they fail."""

from __future__ import annotations

import pytest
from loaders.written import recipe, sweeps
from numpy.testing import assert_allclose

from sts.loaders import Recipe, read_recipe, recipe_text
from sts.settings import PlanError

HEIGHTS = "z (V)\tI (nA)\n0\t8\n1\t4\n2\t2\n"


def test_height_in_volts_with_a_scale(tmp_path):
    s = sweeps(tmp_path, HEIGHTS, recipe(tmp_path, "height_scale_m_per_V = 2e-10\n"))
    assert_allclose(s.axis, [0, 2e-10, 4e-10])


def test_height_that_grows_towards_the_surface_is_turned(tmp_path):
    s = sweeps(tmp_path, HEIGHTS.replace("(V)", "(nm)"), recipe(tmp_path, "height_sign = -1\n"))
    assert_allclose(s.axis, [-2e-9, -1e-9, 0])
    assert_allclose(s.current, [[2e-9, 4e-9, 8e-9]])


def test_current_in_volts_with_the_gain_of_the_amplifier(tmp_path):
    toml = '[[column]]\nname = "I (V)"\nread_as = "current"\nscale = 1e-9\nunit = "A"\n'
    s = sweeps(tmp_path, "V (mV),I (V)\n0,0\n1,2\n", recipe(tmp_path, toml))
    assert_allclose(s.current, [[0, 2e-9]])


def test_bias_of_the_tip_and_current_left_as_the_recipe_says(tmp_path):
    text = "V (mV),I (nA)\n-1,-2\n0,0\n1,3\n"
    s = sweeps(tmp_path, text, recipe(tmp_path, "bias_sign = -1\ncurrent_sign = 1\n"))
    assert_allclose(s.current, [[3e-9, 0, -2e-9]])
    assert any("current falls where the bias rises" in n for n in s.notes)
    s = sweeps(tmp_path, text, recipe(tmp_path, "bias_sign = -1\n"))
    assert_allclose(s.current, [[-3e-9, 0, 2e-9]])


def test_header_in_another_language_and_columns_by_name(tmp_path):
    text = "Spitze: heron\nProbe: Gold\nStrom vor dem Lauf: 50 pA\nHöhe;Strom\n0;8\n1;4\n2;2\n"
    toml = """
[header]
Spitze = "tip"
Probe = "sample"
"Strom vor dem Lauf" = "setpoint_current_A"

[[column]]
name = "Höhe"
read_as = "height"
unit = "nm"

[[column]]
name = "Strom"
read_as = "current"
unit = "nA"
"""
    row = sweeps(tmp_path, text, recipe(tmp_path, toml)).table.iloc[0]
    assert (row["tip"], row["sample"]) == ("heron", "Gold")
    assert_allclose(row["setpoint_current_A"], 50e-12)


def test_tip_site_and_repeat_from_the_file_name(tmp_path):
    r = recipe(tmp_path, 'file_name = "{tip}_s{site}_{repeat}.txt"\n')
    row = sweeps(tmp_path, HEIGHTS.replace("(V)", "(nm)"), r).table.iloc[0]
    assert (row["tip"], row["site"], row["repeat"]) == ("heron", "1", 7)


def test_names_where_the_file_has_none(tmp_path):
    r = recipe(tmp_path, 'column_names = ["V (mV)", "I (nA)"]\n')
    assert_allclose(sweeps(tmp_path, "0,1\n1,2\n2,4\n", r).axis, [0, 1e-3, 2e-3])


def test_comma_decided_by_the_recipe(tmp_path):
    text = "V (mV),I (nA)\n0,5\n1,6\n2,7\n"
    assert_allclose(sweeps(tmp_path, text, recipe(tmp_path, 'decimal = "."\n')).current, [[5e-9, 6e-9, 7e-9]])


def test_lines_left_out_marks_of_missing_numbers_and_one_block_of_two(tmp_path):
    block = "V (mV),I (nA)\n0,1\n1,-999\n2,3\n"
    r = recipe(tmp_path, 'skip_lines = 1\nskip_last_lines = 1\nmissing = ["-999"]\n')
    s = sweeps(tmp_path, "1,2,3,4\n" + block + "the end\n", r)
    assert_allclose(s.current, [[1e-9, float("nan"), 3e-9]])
    two = block.replace("-999", "2") + "V (mV),I (nA)\n0,5\n1,6\n"
    assert_allclose(sweeps(tmp_path, two, recipe(tmp_path, "blocks = [2]\n")).current, [[5e-9, 6e-9]])


@pytest.mark.parametrize(("said", "directions"), [("", ["up", "down"]), ('forward = "down"\n', ["down", "up"])])
def test_forward_means_what_the_recipe_says(tmp_path, said, directions):
    s = sweeps(tmp_path, "V (mV),I fwd (nA),I bwd (nA)\n0,1,1\n1,2,2\n", recipe(tmp_path, said))
    assert list(s.table["direction"]) == directions


@pytest.mark.parametrize(("said", "factor"), [("rms", 1), ("peak", 2**-0.5), ("peak-to-peak", 8**-0.5)])
def test_modulation_amplitude_that_does_not_say_rms_or_peak(tmp_path, said, factor):
    text = "modulation: 5 mV\nV (mV),I (nA)\n0,1\n1,2\n"
    assert_allclose(sweeps(tmp_path, text, Recipe(modulation=said)).table["modulation_V"], 5e-3 * factor)
    silent = sweeps(tmp_path, text)
    assert silent.table["modulation_V"].isna().all()
    assert any("does not say rms or peak" in n for n in silent.notes)
    stated = sweeps(tmp_path, text.replace("5 mV", f"5 mV {said}"))
    assert_allclose(stated.table["modulation_V"], 5e-3 * factor)


@pytest.mark.parametrize(
    ("toml", "message"),
    [
        ("skip_line = 3\n", "line 1: unknown key 'skip_line'"),
        ('delimiter = "abc"\n', "one character"),
        ("bias_sign = 2\n", "bias_sign"),
        ('\n[[column]]\nname = "x"\nread_as = "!"\n', "must be one of bias"),
        ('[[column]]\nname = "x"\nread_as = "current"\ndirection = "sideways"\n', "must be one of forward"),
        ('file_name = "{tip 1}_{2}"\n', "must be words, at least one"),
        ("skip_lines = 'x\n", "not valid TOML"),
    ],
)
def test_a_wrong_recipe_names_key_and_remedy(tmp_path, toml, message):
    with pytest.raises(PlanError, match=message):
        recipe(tmp_path, toml)


def test_a_missing_recipe_is_said(tmp_path):
    with pytest.raises(PlanError, match="cannot be read"):
        read_recipe(tmp_path / "none.toml")


def test_the_text_of_a_recipe_reads_back_the_same(tmp_path):
    toml = 'decimal = ","\nmissing = ["-999"]\n[header]\nSpitze = "tip"\n[values]\nsample = "a \\"b\\""\n'
    toml += '[[column]]\nname = "x y"\nread_as = "bias"\nunit = "mV"\n'
    toml += '[[column]]\nnumber = 2\nread_as = "current"\nunit = "nA"\n'
    r = recipe(tmp_path, toml)
    assert recipe(tmp_path, recipe_text(r)) == r
    assert recipe_text(Recipe()) == ""
