"""What the reference promises of the columns of tables: none vanishes, unless the number of the format is raised."""

from __future__ import annotations

from pathlib import Path

import pytest

import docs
from sts.report.arrays import RESULTS_FORMAT

KEPT = Path(__file__).parent / "kept" / "columns.txt"


def promised(number: int, tables: dict[str, dict[str, str]]) -> list[str]:
    """The promise as lines: the number of the format, then every table with a column."""
    return [f"format {number}", *(f"{table} {column}" for table in tables for column in tables[table])]


def broken(kept: list[str], now: list[str]) -> list[str]:
    """What of a kept promise is gone, where the number stayed as it was."""
    return [] if kept[0] != now[0] else sorted(set(kept) - set(now))


def test_no_described_column_vanishes_while_the_format_stays(request: pytest.FixtureRequest) -> None:
    """A column that comes, or a format that is raised: ``python scripts/test.py --renew tests/docs/test_columns.py``."""
    now = promised(RESULTS_FORMAT, docs.described())
    kept = KEPT.read_text(encoding="utf-8").splitlines() if KEPT.exists() else now
    assert broken(kept, now) == [], (
        "these columns are promised: describe them again, or raise RESULTS_FORMAT in sts/report/arrays.py, say so first in "
        "CHANGELOG.md, and keep the list anew with --renew"
    )
    if request.config.getoption("--renew"):
        KEPT.parent.mkdir(exist_ok=True)
        KEPT.write_text("\n".join(now) + "\n", encoding="utf-8", newline="\n")
        kept = now
    assert sorted(kept) == sorted(now), "columns came or the format was raised: keep the list anew with --renew"


def test_a_column_that_vanishes_or_has_another_name_breaks_the_promise_and_one_that_comes_does_not() -> None:
    before = promised(1, {"tips.csv": {"tip": "", "barrier_eV": ""}})
    assert broken(before, promised(1, {"tips.csv": {"tip": ""}})) == ["tips.csv barrier_eV"]
    assert broken(before, promised(1, {"tips.csv": {"tip": "", "barrier_meV": ""}})) == ["tips.csv barrier_eV"]
    assert broken(before, promised(1, {"tips.csv": {"new": "", "tip": "", "barrier_eV": ""}})) == []
    assert broken(before, promised(2, {"tips.csv": {"tip": ""}})) == []


def test_the_page_names_the_format_that_is_written() -> None:
    assert f"**Format {RESULTS_FORMAT}.**" in docs.pages()["columns.md"]
