"""The register of outside checks: every check it names is there, every value kept is used, the page is that of the tests."""

from __future__ import annotations

import ast
import csv
import os
from collections import Counter
from fnmatch import fnmatchcase
from pathlib import Path

import _outside
import pytest
from outside.rows import ROWS

CHECKS = _outside.checks()
STATUSES = {
    "seen", "computed", "seen and computed", "certified", "standard", "measured", "general library", "closed form", "memory",
}  # fmt: skip
REASONS = _outside.read("not_checked.csv")
COPIED = ("value", "unit", "source", "status")


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.test.split("::")[1])
def test_the_test_is_there_and_holds_its_figure(check):
    file, name = check.test.split("::")
    text = (_outside.ROOT / file).read_text(encoding="utf-8")
    assert name in {node.name for node in ast.walk(ast.parse(text)) if isinstance(node, ast.FunctionDef)}
    assert check.figure in text, f"{file} does not hold '{check.figure}' any more: mend tests/outside/elsewhere.csv"
    assert check.source
    assert {part.strip() for part in check.status.split(";")} <= STATUSES


def test_every_value_kept_is_used():
    used = {key for check in CHECKS for key in check.rows}
    assert ROWS.keys() - used == set()


def test_no_check_rests_on_memory_alone():
    """What was recalled may stand beside what was seen or computed, never alone."""
    assert not [check.test for check in CHECKS if check.status == "memory"]


def test_no_check_is_named_twice():
    assert [test for test, count in Counter(check.test for check in CHECKS).items() if count > 1] == []


def test_values_agree_with_the_shared_table_they_were_copied_from():
    """Only where that table is (beside the measured data): a slip of copying would go unnoticed otherwise."""
    opendata = Path(os.environ.get("STS_OPENDATA", _outside.ROOT.parent / "shared" / "opendata"))
    folder = opendata.parent / "references"
    if not folder.is_dir():
        pytest.skip("the shared table of references is not here")
    for name in {file for file, _ in ROWS}:
        shared = {row["id"]: row for row in csv.DictReader((folder / f"{name}.csv").read_text("utf-8").splitlines())}
        for (file, key), row in ROWS.items():
            if file == name:
                assert [row[k] for k in COPIED] == [shared[key][k] for k in COPIED]


def test_every_row_of_the_shared_tables_is_used_or_says_why_not():
    """Only where those tables are; a reason for a row that is used, or for none, is stale."""
    folder = Path(os.environ.get("STS_OPENDATA", _outside.ROOT.parent / "shared" / "opendata")).parent / "references"
    if not folder.is_dir():
        pytest.skip("the shared table of references is not here")
    rows = {
        (path.stem, row["id"])
        for path in folder.glob("*.csv")
        if path.stem != "statistics_data"  # the numbers of the statistical examples
        for row in csv.DictReader(path.read_text("utf-8").splitlines())
    }
    left = rows - ROWS.keys()
    for reason in REASONS:
        for pattern in reason["ids"].split():
            fitting = {key for key in rows if key[0] == reason["file"] and fnmatchcase(key[1], pattern)}
            assert fitting - ROWS.keys(), f"{pattern} of {reason['file']} explains nothing"
            left -= fitting
    assert sorted(left) == []


def test_what_is_held_elsewhere_names_a_test_that_is_there():
    for reason in REASONS:
        assert ("held elsewhere" in reason["why"]) <= bool(reason["test"]), reason
        assert not reason["test"] or (_outside.ROOT / reason["test"]).is_file(), reason["test"]


def test_the_page_is_that_of_the_tests():
    page = _outside.ROOT / "docs" / "validation" / "outside.md"
    assert page.read_text(encoding="utf-8").rstrip("\n").endswith(_outside.page()), "run: python scripts/docs.py"
