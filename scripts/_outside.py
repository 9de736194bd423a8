"""The table of all checks against something outside the project, read from the tests themselves (nothing is run for it).

A test of ``tests/outside`` names its rows of ``values.csv`` by ``@each(file, pattern, ...)``, ``@texts(...)`` or
``value(file, name)``. Checks that stand elsewhere are listed in ``elsewhere.csv`` with a figure or word of the source that
their file must hold.
"""

from __future__ import annotations

import ast
import csv
from collections.abc import Iterator
from dataclasses import dataclass
from fnmatch import fnmatchcase
from pathlib import Path

from _environment import ROOT

FOLDER = ROOT / "tests" / "outside"
Row = dict[str, str]


@dataclass(frozen=True)
class Check:
    """One test and the published values it holds the code to."""

    test: str  # file::function
    what: str
    source: str
    status: str
    rows: tuple[tuple[str, str], ...] = ()  # (file, id) of ``values.csv``
    figure: str = ""  # for a check elsewhere: must stand in its file


def read(name: str) -> list[Row]:
    """One of the three tables."""
    return list(csv.DictReader((FOLDER / name).read_text(encoding="utf-8").splitlines()))


def checks() -> list[Check]:
    """All checks: those of ``tests/outside`` first."""
    values = {(row["file"], row["id"]): row for row in read("values.csv")}
    found = []
    for path in sorted(FOLDER.glob("test_*.py")):
        for function in ast.parse(path.read_text(encoding="utf-8")).body:
            keys = tuple(dict.fromkeys(_keys(function, values)))
            if isinstance(function, ast.FunctionDef) and keys:
                rows = [values[key] for key in keys]
                found.append(
                    Check(
                        _name(path, function), _words(function), _joined(rows, "source"), _joined(rows, "status"), keys
                    )
                )
    return found + [
        Check(row["test"], row["what"], row["source"], row["status"], figure=row["figure"])
        for row in read("elsewhere.csv")
    ]


def _keys(function: ast.stmt, values: dict[tuple[str, str], Row]) -> Iterator[tuple[str, str]]:
    for node in ast.walk(function):
        if (
            isinstance(node, ast.Call)
            and isinstance(node.func, ast.Name)
            and node.func.id in ("each", "texts", "value")
        ):
            file, *patterns = (_pattern(argument) for argument in node.args)
            yield from (key for p in patterns for key in values if key[0] == file and fnmatchcase(key[1], p))


def _pattern(argument: ast.expr) -> str:
    """The text of an argument; what an f-string puts in may be anything."""
    parts = argument.values if isinstance(argument, ast.JoinedStr) else [argument]
    return "".join(str(part.value) if isinstance(part, ast.Constant) else "*" for part in parts)


def _name(path: Path, function: ast.FunctionDef) -> str:
    return f"{path.relative_to(ROOT).as_posix()}::{function.name}"


def _words(function: ast.FunctionDef) -> str:
    return function.name.removeprefix("test_").replace("_", " ")


def _joined(rows: list[Row], key: str) -> str:
    return "; ".join(dict.fromkeys(row[key] for row in rows))


def page() -> str:
    """The page ``docs/validation/outside.md``."""
    lines = [
        "# Outside checks",
        "",
        ("Every check of the code against something that is not of this project. *Seen*: read on a public page or in a file that "
        "a general library ships. *Computed*: from a closed form or an integral, at 25 digits or more and by a second route. "
        "*Certified*, *standard*, *measured* and *general library* say what they are. The values of the first part are kept "
        "with their sources in `tests/outside/values.csv`."),
        "",
        "| what | values | source | status | test |",
        "| --- | --- | --- | --- | --- |",
    ]  # fmt: skip
    for check in checks():
        count = str(len(check.rows)) if check.rows else ""
        cells = [check.what, count, check.source.replace("|", "\\|"), check.status, f"`{check.test}`"]
        lines.append(f"| {' | '.join(cells)} |")
    lines += [
        "",
        "## Not checked, and why",
        "",
        "Other values that were gathered, and why no test takes them.",
        "",
        "| table | rows | why | held in |",
        "| --- | --- | --- | --- |",
    ]
    for row in read("not_checked.csv"):
        held = f"`{row['test']}`" if row["test"] else ""
        lines.append(f"| {row['file']} | `{row['ids']}` | {row['why']} | {held} |")
    return "\n".join(lines)
