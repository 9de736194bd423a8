"""Values in rows: read back exactly whatever stands between them, and never seen in what is an ordinary table."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sts.loaders.bare import AmbiguousComma
from sts.loaders.loaded import UnreadableFile
from sts.loaders.readers.text import read_text
from sts.loaders.recipe import ColumnRecipe, Recipe

RAMP = np.linspace(74.2e-9, 75.2e-9, 64)
CURRENT = 1e-9 * np.exp((RAMP - RAMP[-1]) * 1e10)


def written(*rows, between=";", decimal=".", end="", blank=0):
    lines = [between.join(f"{v:.8E}".replace(".", decimal) for v in row) + end for row in rows]
    return ("\n" * (blank + 1)).join(lines) + "\n"


@settings(max_examples=60, deadline=None)
@given(
    lines=st.integers(2, 6), count=st.integers(50, 2000), seed=st.integers(0, 10**6), falling=st.booleans(),
    between=st.sampled_from([";", "\t", ",", " ", "; ", "  ", ", ", "|"]), comma=st.booleans(), trailing=st.booleans(),
    blank=st.integers(0, 2), both_ways=st.booleans(), last_line_ends=st.booleans(),
)  # fmt: skip
def test_random_rows_are_read_back_exactly(
    lines, count, seed, falling, between, comma, trailing, blank, both_ways, last_line_ends
):
    rng = np.random.default_rng(seed)
    axis = np.sort(rng.uniform(-1, 1, count)) * 10.0 ** rng.integers(-9, 1)
    axis = axis[::-1] if falling else axis
    axis = np.r_[axis[: count // 2], axis[: count // 2][::-1]] if both_ways else axis
    rows = [axis, *(rng.normal(size=(lines - 1, axis.size)) * 10.0 ** rng.integers(-12, -6))]
    decimal = "," if comma and "," not in between else "."
    end = between.strip(" ") if trailing else ""
    text = written(*rows, between=between, decimal=decimal, end=end, blank=blank)
    (block,) = read_text(text if last_line_ends else text.rstrip("\n"), Recipe())
    assert block.in_rows
    assert len(block.columns) == lines
    for column, row in zip(block.columns, rows, strict=True):
        assert column.values.tolist() == [float(f"{v:.8E}") for v in row]


@settings(max_examples=60, deadline=None)
@given(
    rows=st.integers(2, 40), width=st.integers(2, 40), seed=st.integers(0, 10**6),
    between=st.sampled_from([";", "\t", " "]), header=st.integers(0, 2),
)  # fmt: skip
def test_ordinary_tables_are_never_taken_as_rows(rows, width, seed, between, header):
    rng = np.random.default_rng(seed)
    table = np.c_[np.linspace(-1, 1, rows), rng.normal(size=(rows, width - 1)) * 1e-9]
    names = [between.join(["V_(V)", *(f"I_{i}_(A)" for i in range(1, width))])] * header
    text = "\n".join(names) + "\n" * bool(header) + written(*table, between=between)
    try:
        blocks = read_text(text, Recipe())
    except UnreadableFile:
        return
    assert not any(block.in_rows for block in blocks)


@pytest.mark.parametrize(
    "text",
    [
        written(CURRENT * np.sin(np.arange(64)), RAMP),  # the first line runs both ways many times
        written(RAMP[:10], CURRENT[:10]),  # too few numbers
        written(*[RAMP] * 13),  # too many lines
        written(*[RAMP[:40]] * 11),  # not slender
        "z;I\n" + written(RAMP, CURRENT),  # a line of words
    ],
)
def test_what_is_nearly_rows_is_not(text):
    try:
        blocks = read_text(text, Recipe())
    except UnreadableFile:
        return
    assert not any(block.in_rows for block in blocks)


def test_comments_above_are_a_header_and_missing_numbers_are_missing():
    text = "# tip: heron\n" + written(RAMP, CURRENT).replace(f"{CURRENT[3]:.8E}", "NaN").replace(";", "; ")
    (block,) = read_text(text, Recipe())
    assert [(entry.key, entry.value) for entry in block.header] == [("tip", "heron")]
    assert np.flatnonzero(np.isnan(block.columns[1].values)).tolist() == [3]


def test_lines_of_other_lengths_are_refused_with_both():
    text = written(RAMP, CURRENT[:-5])
    with pytest.raises(UnreadableFile, match=r"line 2: holds 59 numbers, line 1 holds 64; expected values in rows"):
        read_text(text, Recipe())


def test_a_last_number_that_is_cut_off_is_left_out():
    text = written(RAMP, CURRENT)[:-4]  # 9.9E for 9.9E-10: nine orders of magnitude
    (block,) = read_text(text.replace("E\n", "\n"), Recipe()) if text[-1] != "E" else read_text(text[:-1], Recipe())
    assert np.isnan(block.columns[1].values[-1])
    assert block.notes[0].startswith("the last number is cut off and left out: '")


def test_a_comma_that_may_be_either_is_refused_until_it_is_said():
    text = "\n".join([",".join(map(str, range(40))), ",".join(["1", "5"] * 20)]) + "\n"
    with pytest.raises(AmbiguousComma, match="--decimal point"):
        read_text(text, Recipe())
    (block,) = read_text(text, Recipe(decimal="."))
    assert block.columns[0].values.tolist() == list(range(40))


@pytest.mark.parametrize(
    "recipe",
    [
        Recipe(column_names=["z (m)", "I (A)"]),
        Recipe(column=[ColumnRecipe(number=1, read_as="height", unit="m"), ColumnRecipe(number=2, read_as="current")]),
    ],
)
def test_a_recipe_that_names_columns_of_rows_is_refused_with_the_key_that_helps(recipe):
    with pytest.raises(UnreadableFile, match=r'2 lines of 64 numbers: values in rows.*rows = \["z \(m\)", "I \(A\)"\]'):
        read_text(written(RAMP, CURRENT), recipe)
    assert not read_text(written(*np.random.default_rng(1).normal(size=(16, 17))), recipe)[0].in_rows


def test_a_recipe_names_rows_in_any_order_and_by_their_number():
    noisy = CURRENT * np.sin(np.arange(64))
    (block,) = read_text(written(noisy, RAMP, RAMP), Recipe(rows=["I (A)", "z (m)", "-"]))
    assert [column.name for column in block.columns] == ["I (A)", "z (m)", ""]
    with pytest.raises(UnreadableFile, match="holds 3 lines of 64 numbers; rows names 2"):
        read_text(written(noisy, RAMP, RAMP), Recipe(rows=["I (A)", "z (m)"]))
    with pytest.raises(UnreadableFile, match="expected 2 lines of 16 or more numbers"):
        read_text("V (V);I (A)\n1;2\n2;3\n", Recipe(rows=["I (A)", "z (m)"]))
