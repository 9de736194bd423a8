"""How numbers are written: cells, comments, delimiter and decimal mark, or the reason why it cannot be told."""

from __future__ import annotations

import pytest

from sts.loaders.bare import AmbiguousComma
from sts.loaders.dialect import (
    Dialect,
    NoTable,
    cells_of,
    find_dialect,
    first_row,
    is_comment,
    is_number,
    row_width,
    uncomment,
)
from sts.loaders.loaded import UnreadableFile
from sts.loaders.recipe import NO_RECIPE, Recipe

NONE: frozenset[str] = frozenset()


@pytest.mark.parametrize(
    ("row", "delimiter", "decimal", "width"),
    [("1.5\t2.5", "\t", ".", 2), ("1,5;2,5", ";", ",", 2), ("1.5,2.5,3", ",", ".", 3), ("1.5  2.5", " ", ".", 2),
     ("1,5\t2,5", "\t", ",", 2), ("1e-9|2E+3", "|", ".", 2), ('"1.5","2.5"', ",", ".", 2)],
)  # fmt: skip
def test_the_dialect_is_that_of_the_last_rows(row, delimiter, decimal, width):
    found = find_dialect(["a header: 1.0", "", *[row] * 5], NO_RECIPE, ())
    assert found == Dialect(delimiter, decimal, width, (True,) * width)


def test_a_column_of_words_is_part_of_the_rows():
    assert find_dialect(["1.5;up;2.5"] * 6, NO_RECIPE, ()).numeric == (True, False, True)


def test_a_comma_for_both_is_refused_with_both_readings_and_decided_by_a_recipe():
    rows = ["1,5,2,5"] * 6
    with pytest.raises(AmbiguousComma, match=r"4 numbers \(1 \| 5 \| 2 \| 5\) or as 2 \(1\.5 \| 2\.5\)"):
        find_dialect(rows, NO_RECIPE, ())
    assert find_dialect(rows, Recipe(decimal="."), ()).width == 4


@pytest.mark.parametrize(
    ("lines", "refusal", "message"),
    [
        (["a note", "and another"], NoTable, "no line with numbers"),
        (["we met at 10", "and left at 12"], NoTable, "expected a row of two or more numbers"),
        (["V (mV),I (nA)"], UnreadableFile, "no line with numbers"),  # names of columns: a table was meant
        (["1.5", "2.5", "3.5"], UnreadableFile, "one number per line"),
        (["1,000.5 x 2", "2,000.5 y 3"], NoTable, "expected a row of two or more numbers"),
    ],
)
def test_a_text_without_a_table_is_refused_as_notes_or_as_a_broken_table(lines, refusal, message):
    with pytest.raises(UnreadableFile, match=message) as caught:
        find_dialect(lines, NO_RECIPE, ())
    assert type(caught.value) is refusal


def test_cells_keep_quoted_delimiters():
    assert cells_of('"a;b"; c ;', ";") == ["a;b", "c", ""]
    assert cells_of("  1   2 ", " ") == ["1", "2"]


@pytest.mark.parametrize(
    ("cell", "decimal", "number"),
    [("-1.5e-9", ".", True), (".5", ".", True), ("1,5", ".", False), ("1,5", ",", True), ("1D3", ".", True),
     ("NaN", ".", True), ("---", ",", True), ("1_000", ".", False), ("0x1", ".", False)],
)  # fmt: skip
def test_what_a_number_is(cell, decimal, number):
    assert is_number(cell, decimal) is number


def test_a_comment_is_known_by_its_mark_and_an_empty_first_cell_is_none():
    assert is_comment("  # 1;2", ())
    assert is_comment("!note", ("!",))
    assert not is_comment(";1.5;2.5", ())
    assert uncomment("## note", ()) == "note"
    assert uncomment("!note", ("!",)) == "note"


def test_the_first_row_of_the_table_stands_below_names_and_comments():
    dialect = Dialect(";", ".", 2, (True, True))
    assert first_row(["V;I", "# 1;2", "", "1;2", "3;4"], dialect, ()) == 3
    assert first_row(["V;I"], dialect, ()) == 1
    assert row_width("nan;nan", dialect, frozenset({"nan"})) == 0  # no number at all is no row
    assert row_width("nan;2", dialect, frozenset({"nan"})) == 2
    assert row_width("a;2", dialect, NONE) == 0


@pytest.mark.parametrize("decimal", [".", ","])
@pytest.mark.parametrize("cell", ["1" * 200_000 + "a", "1" * 200_000 + ".a", "," * 200_000 + "a", "1e" * 100_000])
def test_a_long_cell_that_is_no_number_is_told_in_one_pass(cell: str, decimal: str) -> None:
    """Two ways to split the digits made it quadratic: these would take more than an hour."""
    assert not is_number(cell, decimal)
