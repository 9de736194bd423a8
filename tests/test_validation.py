"""The kept results of the validation studies: every study is there, and every figure outside its bounds is marked."""

from __future__ import annotations

import csv
import importlib
import math
from pathlib import Path

import pytest
import validate
from studies import Finding

KEPT = Path(__file__).resolve().parent.parent / "docs" / "validation"


@pytest.mark.parametrize("name", validate.STUDIES)
def test_every_study_can_be_run_by_the_script(name):
    study = importlib.import_module(f"studies.{name}")
    assert study.TITLE
    assert callable(study.run)


def test_a_figure_outside_its_bounds_is_not_kept():
    assert Finding("a", "b", 95.0, 93.0, 97.0).kept
    assert not Finding("a", "b", 92.0, 93.0, 97.0).kept
    assert not Finding("a", "b", math.nan).kept
    assert Finding("a", "b", 1.0).kept


@pytest.mark.parametrize("path", sorted(KEPT.glob("*.csv")), ids=lambda p: p.stem)
def test_kept_tables_mark_what_is_out(path):
    rows = list(csv.DictReader(path.read_text(encoding="utf-8").splitlines()))
    assert rows
    for row in rows:
        if "kept" in row:
            low, high = (float(row[k]) if row[k] else bound for k, bound in (("low", -math.inf), ("high", math.inf)))
            value = float(row["value"])
            inside = low * (1 - 1e-5 * math.copysign(1, low)) <= value <= high * (1 + 1e-5 * math.copysign(1, high))
            assert inside == (row["kept"] == "yes")
