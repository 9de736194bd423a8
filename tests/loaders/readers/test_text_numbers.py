"""Rows of numbers parsed whole: the small way and the large way give the same, and a row that differs gives none."""

from __future__ import annotations

import numpy as np
import pytest

from sts.loaders.dialect import Dialect
from sts.loaders.readers import text_numbers
from sts.loaders.readers.text_numbers import parse_rows
from sts.loaders.recipe import NO_RECIPE, Recipe


def dialect(delimiter=";", decimal=".", numeric=(True, True)):
    return Dialect(delimiter, decimal, len(numeric), numeric)


@pytest.fixture(params=["small", "large"])
def size(request, monkeypatch):
    """Every row by Python's float, or all of them by pandas."""
    monkeypatch.setattr(text_numbers, "_SMALL", 200_000 if request.param == "small" else 0)


@pytest.mark.usefixtures("size")
@pytest.mark.parametrize(
    ("rows", "way", "columns"),
    [
        (["1.5;2", "-3e-9;4"], dialect(), [[1.5, -3e-9], [2, 4]]),
        (["1,5;2", "-3e-9;4"], dialect(decimal=","), [[1.5, -3e-9], [2, 4]]),
        (["1 2", "  3   4 "], dialect(" "), [[1, 3], [2, 4]]),
        (["1d3;2", "3D-3;4"], dialect(), [[1e3, 3e-3], [2, 4]]),
        (["1;nan", "3;4"], dialect(), [[1, 3], [np.nan, 4]]),
        (["1;", "3;4"], dialect(), [[1, 3], [np.nan, 4]]),
        (['"1";"2"', "3;4"], dialect(), [[1, 3], [2, 4]]),
        (["0.1;0.30000000000000004", "1e-300;5e-324"], dialect(), [[0.1, 1e-300], [0.30000000000000004, 5e-324]]),
    ],
)
def test_columns_to_the_last_digit(rows, way, columns):
    found = parse_rows(rows, way, NO_RECIPE)
    np.testing.assert_array_equal(found, columns)


@pytest.mark.usefixtures("size")
@pytest.mark.parametrize(
    ("rows", "way"),
    [
        (["1;2", "3"], dialect()),
        (["1;2", "3;4;5"], dialect()),
        (["1;2", "x;4"], dialect()),
        (["1;2", "1_000;4"], dialect()),  # Python's float would take it
        (["1;2", "٣;4"], dialect()),  # and digits of other scripts
        (["1 2", "3"], dialect(" ")),
        (["1,5;2", "1.5;2"], dialect(decimal=",")),
    ],
)
def test_a_row_that_is_not_like_the_others_gives_none(rows, way):
    assert parse_rows(rows, way, NO_RECIPE) is None


def test_texts_stay_texts_and_marks_of_a_recipe_are_missing_numbers():
    numbers, texts = parse_rows(["-9999; up", "2;down"], dialect(numeric=(True, False)), Recipe(missing=["-9999"]))
    assert texts.tolist() == ["up", "down"]
    np.testing.assert_array_equal(numbers, [np.nan, 2])
