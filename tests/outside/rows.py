"""The published and computed values beside this file (``values.csv``), copied with source and status."""

from __future__ import annotations

import csv
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Any

import pytest

TABLE = Path(__file__).parent / "values.csv"
ROWS = {(row["file"], row["id"]): row for row in csv.DictReader(TABLE.read_text(encoding="utf-8").splitlines())}


def value(file: str, name: str) -> float:
    """One value."""
    return float(ROWS[file, name]["value"])


def chosen(file: str, *patterns: str) -> list[dict[str, str]]:
    """The rows whose id fits one of the patterns; every pattern must fit something."""
    found = {p: [r for (f, name), r in ROWS.items() if f == file and fnmatchcase(name, p)] for p in patterns}
    for pattern, rows in found.items():
        assert rows, f"no row of {file} is called {pattern}"
    return [row for rows in found.values() for row in rows]


def each(file: str, *patterns: str) -> Any:
    """Parametrise a test with `name` and `expected` by the rows whose id fits one of the patterns."""
    rows = chosen(file, *patterns)
    return pytest.mark.parametrize(("name", "expected"), [(r["id"], float(r["value"])) for r in rows])


def texts(file: str, *patterns: str) -> Any:
    """As `each`, with `text` instead of a number."""
    return pytest.mark.parametrize(("name", "text"), [(r["id"], r["value"]) for r in chosen(file, *patterns)])
