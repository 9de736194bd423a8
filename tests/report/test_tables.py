"""Tables and JSON: the same bytes for the same numbers, and nothing a spreadsheet would run."""

from __future__ import annotations

import csv
import io
import json

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sts.report.tables import csv_text, json_text
from sts.session import inert

# Openings named by OWASP, "CSV Injection" (community page of the Open Worldwide Application Security Project).
DANGEROUS = ["=1+1", "+1", "-1+cmd|' /C calc'!A0", "@SUM(1,1)", "\t=1", "\r=1"]


@pytest.mark.parametrize("text", DANGEROUS)
def test_cells_that_a_spreadsheet_would_run_are_made_inert(text: str) -> None:
    cell = next(csv.reader(io.StringIO(csv_text(pd.DataFrame({"tip": [text]})).split("\n", 1)[1])))[0]
    assert cell[0] == "'"


def test_numbers_keep_their_minus_sign() -> None:
    assert csv_text(pd.DataFrame({"x": [-1.5]})) == "x\n-1.5\n"


@given(st.text())
def test_text_comes_back_from_csv_but_for_the_apostrophe(text: str) -> None:
    table = csv_text(pd.DataFrame({"a": [text], "b": [1]}))
    rows = list(csv.reader(io.StringIO(table, newline="")))
    assert rows[1][0] == inert(text)
    assert 0 <= len(inert(text)) - len(text) <= 1 + text.count(",") + text.count(";")
    if text.isprintable():
        assert inert(text).replace("'", "") == text.replace("'", "")


def test_a_header_from_a_logbook_is_made_inert_too() -> None:
    assert csv_text(pd.DataFrame({"=cmd": [1]})).startswith("'=cmd\n")


def test_floats_have_ten_digits_and_unknown_is_empty() -> None:
    frame = pd.DataFrame({"a": [np.pi, np.nan], "b": [True, False], "c": [1, 2], "d": [1e-12 / 3, np.inf]})
    assert csv_text(frame) == "a,b,c,d\n3.141592654,true,1,3.333333333e-13\n,false,2,inf\n"


def test_a_decimal_comma_comes_with_semicolons_and_leaves_text_alone() -> None:
    frame = pd.DataFrame({"x": [-1.5e-12, np.nan], "name": ["v1.2, a", "b"], "n": [1, 2], "used": [True, False]})
    text = csv_text(frame, decimal="comma")
    assert text == "x;name;n;used\n-1,5e-12;v1.2, a;1;true\n;b;2;false\n"
    back = pd.read_csv(io.StringIO(text), sep=";", decimal=",")  # an outside reader with the same convention
    assert back["x"].iloc[0] == -1.5e-12


@given(st.floats(min_value=-1e300, max_value=1e300))
def test_written_floats_are_within_ten_digits(value: float) -> None:
    back = float(csv_text(pd.DataFrame({"a": [value]})).split("\n")[1])
    assert back == value or abs(back - value) <= 6e-10 * abs(value) or abs(value) < 1e-300


def test_json_knows_no_nan_and_sorts_its_keys() -> None:
    text = json_text(
        {"b": np.nan, "a": [np.int64(1), np.float64(0.1), np.bool_(True)], "c": pd.DataFrame({"x": ["é"]})}
    )
    assert json.loads(text) == {"a": [1, 0.1, True], "b": None, "c": [{"x": "é"}]}
    assert text.index('"a"') < text.index('"b"')


def test_a_table_without_rows_keeps_its_header() -> None:
    assert csv_text(pd.DataFrame(columns=["a", "b"])) == "a,b\n"
