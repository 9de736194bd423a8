"""How the numbers of a text file are written: cells, comments, delimiter and decimal mark."""

from __future__ import annotations

import csv
import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

from sts.loaders.bare import AmbiguousComma
from sts.loaders.column_names import count_known
from sts.loaders.loaded import UnreadableFile, shown
from sts.loaders.recipe import Recipe
from sts.loaders.words import among

MISSING = among("values", "missing")
_NUMBER = {
    ".": re.compile(r"[+-]?(?:(?:\d+(?:\.\d*)?|\.\d+)(?:[eEdD][+-]?\d+)?|inf|Inf|INF|infinity|Infinity)"),
    ",": re.compile(r"[+-]?(?:(?:\d+(?:,\d+)?|,\d+)(?:[eEdD][+-]?\d+)?|inf|Inf|INF|infinity|Infinity)"),
}
_COMMENT = re.compile(r"\s*(?:#+|%+|//+|;+)")
DELIMITERS = ("\t", ";", "|", ",", " ")  # " " stands for any white space
_DIGIT = re.compile(r"\d")
_NO_POINT = re.compile(r"[\s\d,+\-eE]*")
_SAMPLE = 24


class NoTable(UnreadableFile):
    """A text that holds no table, nor a line that names the columns of one: notes, not sweeps."""


@dataclass(frozen=True)
class Dialect:
    """How the numbers are written."""

    delimiter: str
    decimal: str
    width: int  # cells a row
    numeric: tuple[bool, ...]  # per cell: number, or text


# ---- cells and numbers


def cells_of(line: str, delimiter: str) -> list[str]:
    """The cells of a line, without quotes and surrounding spaces.

    Parameters
    ----------
    line : str
    delimiter : str
        One character; a space stands for any white space.
    """
    if '"' in line and len(line) < csv.field_size_limit():
        row = next(csv.reader([line.strip()], delimiter=delimiter, skipinitialspace=True), [])
        return [cell.strip() for cell in row if cell.strip() or delimiter != " "]
    return line.split() if delimiter == " " else [cell.strip() for cell in line.split(delimiter)]


def is_number(cell: str, decimal: str, missing: frozenset[str] = MISSING) -> bool:
    """Whether a cell is a number with this decimal mark, or a mark of a missing one.

    Parameters
    ----------
    cell : str
    decimal : str
        ``"."`` or ``","``.
    missing : frozenset of str
        Marks of a missing number.
    """
    return cell in missing or _NUMBER[decimal].fullmatch(cell) is not None


def is_comment(line: str, marks: Sequence[str]) -> bool:
    """Whether a line is a comment, by the usual marks or those of a recipe.

    Parameters
    ----------
    line : str
    marks : sequence of str
        Of a recipe, beside the usual ones.
    """
    if marks and line.lstrip().startswith(tuple(marks)):
        return True
    match = _COMMENT.match(line)
    if match is None:
        return False
    rest = line[match.end() :]
    # A row may begin with an empty cell before a semicolon; a comment does not go on with a number and another one.
    return not (match.group().strip() == ";" and re.match(r"\s*[+-]?[\d.,]+\s*(;|$)", rest))


def uncomment(line: str, marks: Sequence[str]) -> str:
    """A line without its comment mark.

    Parameters
    ----------
    line : str
    marks : sequence of str
        Of a recipe, beside the usual ones.
    """
    line = line.strip()
    for mark in marks:
        if line.startswith(mark):
            return line[len(mark) :].strip()
    match = _COMMENT.match(line)
    return line[match.end() :].strip() if match else line


def missing_marks(recipe: Recipe) -> frozenset[str]:
    """The marks of a missing number.

    Parameters
    ----------
    recipe : Recipe
    """
    return MISSING | frozenset(recipe.missing)


def row_width(line: str, dialect: Dialect, missing: frozenset[str]) -> int:
    """Cells of a row of the table, 0 if the line is none.

    Parameters
    ----------
    line : str
    dialect : Dialect
    missing : frozenset of str
        Marks of a missing number.
    """
    cells = cells_of(line, dialect.delimiter)
    numbers = [is_number(c, dialect.decimal, missing) for c in cells]
    fits = len(cells) == dialect.width and all(n or not d for n, d in zip(numbers, dialect.numeric, strict=True))
    real = sum(n and c not in missing for n, c in zip(numbers, cells, strict=True))
    if (fits or (all(numbers) and len(cells) > 1)) and (real or fits):
        return len(cells) if real else 0
    return 0


# ---- dialect


def wanted_delimiters(recipe: Recipe) -> Sequence[str]:
    """The delimiters that a recipe leaves, in the order in which they are tried.

    Parameters
    ----------
    recipe : Recipe
    """
    return {"": DELIMITERS, "tab": ("\t",), "spaces": (" ",)}.get(recipe.delimiter, (recipe.delimiter,))


def find_dialect(lines: list[str], recipe: Recipe, marks: Sequence[str]) -> Dialect:
    """The dialect that makes rows of numbers of the lines at the end of a file.

    Parameters
    ----------
    lines : list of str
        Of the whole file.
    recipe : Recipe
    marks : sequence of str
        Of comments, from the recipe.

    Raises
    ------
    UnreadableFile
        If none does, or if a comma may be both delimiter and decimal mark.
    """
    filled: list[str] = []
    for line in reversed(lines):  # the numbers are at the end, however long the header is
        if _DIGIT.search(line) and not is_comment(line, marks):
            filled.append(line)
            if len(filled) > _SAMPLE:
                break
    if not filled:
        raise _refusal(lines, marks)("no line with numbers; expected a table of sweeps. Export it again.")
    sample = (filled[1:] if len(filled) > 4 else filled)[::-1]  # without the last line, which may be cut off
    wanted = wanted_delimiters(recipe)
    length = _SAMPLE
    dialect = _plain_dialect(sample[-_SAMPLE:], wanted, recipe.decimal)
    if dialect is None:
        dialect, length = _best_dialect(sample, wanted, recipe)
    sample = sample[-length:]
    _refuse_ambiguous_comma(lines, sample, dialect, recipe, marks)
    if dialect is None:
        raise _no_rows(lines, sample, marks)
    return dialect


def _plain_dialect(sample: list[str], wanted: Sequence[str], decimal: str) -> Dialect | None:
    """The dialect of rows that are nothing but numbers, as in most files; None if they are not."""
    for delimiter in wanted:
        if delimiter not in sample[0] and delimiter != " ":
            continue
        width = len(cells_of(sample[0], delimiter))
        if width > 1:
            for mark in decimal or ".,":
                row = _row_of_numbers(delimiter, mark, width)
                if all(map(row.fullmatch, sample)):
                    return Dialect(delimiter, mark, width, (True,) * width)
    return None


@lru_cache(64)
def _row_of_numbers(delimiter: str, decimal: str, width: int) -> re.Pattern[str]:
    number = f"(?:{_NUMBER[decimal].pattern})"
    between = r"\s+" if delimiter == " " else rf"\s*{re.escape(delimiter)}\s*"
    return re.compile(rf"\s*{number}(?:{between}{number}){{{width - 1}}}\s*")


def _best_dialect(sample: list[str], wanted: Sequence[str], recipe: Recipe) -> tuple[Dialect | None, int]:
    """The dialect that makes most of the last lines rows of numbers, and how many lines were looked at."""
    missing = missing_marks(recipe)
    dialect = None
    for length in (_SAMPLE, 12, 4, 2):  # a short table under a long header
        best = 0.0
        joined = "\n".join(sample[-length:])
        for delimiter in wanted:
            if delimiter not in joined and delimiter != " ":
                continue
            rows = [cells_of(line, delimiter) for line in sample[-length:]]
            for decimal in recipe.decimal or (".," if "," in joined else "."):
                score, tried = _try(rows, delimiter, decimal, missing)
                if score > best + 1e-9:
                    best, dialect = score, tried
        if dialect is not None:
            return dialect, length
    return None, _SAMPLE


def _no_rows(lines: list[str], sample: list[str], marks: Sequence[str]) -> UnreadableFile:
    """The refusal of a text whose last lines are no rows of two or more numbers."""
    line = sample[-1]
    number = max(i for i, text in enumerate(lines, 1) if text == line)
    digits = re.search(r"[^\s\d.,;+\-eE]", line) is None
    refused = _refusal(lines, marks)
    if digits and re.search(r"\d,\d", line) and re.search(r"\d\.\d", line):
        found = f"{shown(line.strip())}, with both comma and point in its numbers"
        hint = "Export with one decimal mark and without marks for thousands."
    elif all(map(_one_number, sample)):
        found, hint = (
            f"{shown(line.strip())}, one number per line",
            "Export the axis and the current with their numbers.",
        )
        refused = UnreadableFile
    elif digits and all(len(cells_of(x, " ")) == 1 for x in sample):
        found, hint = "one number per line", "Export the axis and the current side by side."
        refused = UnreadableFile
    else:
        found = shown(line.strip())
        hint = "Export the sweeps as text, or say 'delimiter' and 'decimal' in a recipe."
    return refused(
        f"found {found}; expected a row of two or more numbers (a sweep needs its axis and its current). {hint}",
        place=f"line {number}",
    )


def _one_number(line: str) -> bool:
    """Whether all but one of the cells of a line are marks of a missing number."""
    cells = re.split(r"[;|\s]+", line.strip())
    return len(cells) > 1 and sum(cell not in MISSING for cell in cells) == 1


def _refusal(lines: list[str], marks: Sequence[str]) -> type[UnreadableFile]:
    """How a text without a table is refused: as notes, unless a line of it names the columns of one."""
    head = [uncomment(line, marks) for line in lines[:200]]
    return UnreadableFile if any(count_known(cells_of(line, d)) > 1 for line in head for d in "\t;,|") else NoTable


def _try(rows: list[list[str]], delimiter: str, decimal: str, missing: frozenset[str]) -> tuple[float, Dialect | None]:
    widths = [len(row) for row in rows]
    width = max(set(widths), key=lambda w: (widths.count(w), w))
    usual = [row for row in rows if len(row) == width]
    if width < 2 or len(usual) < 0.5 * len(rows):
        return 0.0, None
    numbers = [[is_number(cell, decimal, missing) for cell in row] for row in usual]
    share = [sum(column) / len(usual) for column in zip(*numbers, strict=True)]
    numeric = tuple(s >= 0.5 for s in share)
    real = [any(row[j] not in missing and n[j] for row, n in zip(usual, numbers, strict=True)) for j in range(width)]
    if sum(n and r for n, r in zip(numeric, real, strict=True)) < 2:
        return 0.0, None
    good = sum(all(n or not d for n, d in zip(row, numeric, strict=True)) for row in numbers)
    return good / len(rows) * (0.5 + 0.5 * sum(numeric) / width), Dialect(delimiter, decimal, width, numeric)


def _refuse_ambiguous_comma(
    lines: list[str], sample: list[str], dialect: Dialect | None, recipe: Recipe, marks: Sequence[str]
) -> None:
    """Refuse a file in which the comma may be both the delimiter and the decimal mark, with both readings."""
    comma = dialect is None or (dialect.delimiter == "," and dialect.decimal == ".")
    named = dialect is not None and len(recipe.column_names) == dialect.width
    if not comma or named or recipe.decimal or recipe.delimiter:
        return
    rows = [line for line in sample if "," in line and _NO_POINT.fullmatch(line)]
    if len(rows) < 0.7 * len(sample) or any('"' in row for row in sample):
        return
    for line in lines if dialect is not None else ():
        names = cells_of(uncomment(line, marks), ",")
        if dialect is not None and len(names) == dialect.width and count_known(names):
            return
    row = rows[-1].strip()
    cells = [c.strip() for c in row.strip(",").split(",")]
    half = [f"{a}.{b}" for a, b in zip(cells[::2], cells[1::2], strict=False)] + cells[len(cells) // 2 * 2 :]
    number = max(i for i, text in enumerate(lines, 1) if text.strip() == row)
    raise AmbiguousComma(
        f"the comma may stand between cells or be the decimal mark: {shown(row)} can be read as "
        f"{len(cells)} numbers ({' | '.join(cells)}) or as {len(half)} ({' | '.join(half)}). Say --decimal point on "
        'import, or decimal = "." in a recipe, for the first; for the second export again with another delimiter.',
        place=f"line {number}",
    )


def first_row(lines: list[str], dialect: Dialect, marks: Sequence[str]) -> int:
    """Position of the first row of the table.

    Parameters
    ----------
    lines : list of str
    dialect : Dialect
    marks : sequence of str
        Of comments, from the recipe.
    """
    for i, line in enumerate(lines):
        if line.strip() and not is_comment(line, marks) and row_width(line, dialect, MISSING) == dialect.width:
            return i
    return len(lines)
