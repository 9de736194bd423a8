"""The one table of an ordinary text file, in one go, and what such a file must not hold."""

from __future__ import annotations

import re

import numpy as np

from sts.loaders.bare import AmbiguousComma
from sts.loaders.block import Block
from sts.loaders.dialect import DELIMITERS, MISSING, Dialect, first_row, is_comment, row_width
from sts.loaders.loaded import UnreadableFile, shown
from sts.loaders.readers.text_numbers import parse_rows
from sts.loaders.readers.text_walk import make_block
from sts.loaders.recipe import Recipe

_LONGEST_LINE = 1_000_000  # characters
_WIDEST = 20_000  # cells
_WITH_COMMA = re.compile(r"(?<![\w.,])[+-]?\d+,\d+(?:[eE][+-]?\d+)?(?![\w.,])")
_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}")


def refuse_endless_lines(lines: list[str]) -> None:
    """Refuse lines that no table of sweeps has; taking them apart could take minutes.

    Parameters
    ----------
    lines : list of str
        Of the whole file.

    Raises
    ------
    UnreadableFile
    """
    if max(map(len, lines)) <= _WIDEST:
        return
    for number, line in enumerate(lines, 1):
        if len(line) <= _WIDEST:
            continue
        cells = max(len(line.split()), *(line.count(d) + 1 for d in DELIMITERS if d != " "))
        if len(line) > _LONGEST_LINE or cells > _WIDEST:
            raise UnreadableFile(
                f"has {len(line)} characters in up to {cells} cells; rows of up to {_WIDEST} numbers are read. Export "
                "the points of a sweep below each other, or as an array (.npz).",
                place=f"line {number}",
            )


def refuse_thousands(lines: list[str], dialect: Dialect, recipe: Recipe) -> None:
    """Refuse ``3,000`` where every number of the file has three digits behind its comma: a mark of thousands, perhaps.

    Parameters
    ----------
    lines : list of str
        Of the whole file.
    dialect, recipe : Dialect, Recipe

    Raises
    ------
    AmbiguousComma
    """
    if dialect.decimal != "," or recipe.decimal:
        return
    example = ""
    for number, line in enumerate(lines, 1):
        if "," not in line:
            continue
        for found in _WITH_COMMA.finditer(line):
            if not _THOUSANDS.fullmatch(found.group()):
                return  # 0,5 or 12,25: the comma is a decimal mark
            example = example or f"line {number}|{found.group()}"
    if example:
        place, _, cell = example.partition("|")
        raise AmbiguousComma(
            f"{shown(cell)} may be {cell.replace(',', '')} or {cell.replace(',', '.')}: every number of the file has three "
            'digits behind its comma. Say --decimal comma on import, or decimal = "," in a recipe; if the comma marks '
            "thousands, export without it.",
            place=place,
        )


def plain_block(lines: list[str], dialect: Dialect, recipe: Recipe) -> Block | None:
    """The one table of an ordinary file, in one go; None if anything is out of the ordinary.

    Parameters
    ----------
    lines : list of str
        Of the whole file.
    dialect, recipe : Dialect, Recipe
    """
    marks = tuple(recipe.comment)
    first = first_row(lines, dialect, marks)
    rows = lines[first:]
    while rows and not rows[-1].strip():
        rows.pop()
    if not rows:
        return None
    values = parse_rows(rows, dialect, recipe)
    if values is None:
        return None
    above = [(i, line) for i, line in enumerate(lines[:first], 1) if line.strip()]
    if rows_above(above, dialect, marks):
        return None
    return make_block(above, values, dialect, recipe, breaks=tuple(breaks_of(rows)), line=first + 1)


def rows_above(above: list[tuple[int, str]], dialect: Dialect, marks: tuple[str, ...]) -> bool:
    """Whether one of the last two lines above a table is a row as well: of another one.

    Parameters
    ----------
    above : list of (int, str)
        Numbered.
    dialect : Dialect
    marks : tuple of str
        Of comments.
    """
    return any(row_width(line, dialect, MISSING) for _, line in above[-2:] if not is_comment(line, marks))


def breaks_of(rows: list[str]) -> list[int]:
    """The rows before which an empty line stands, counted without those.

    Parameters
    ----------
    rows : list of str
    """
    if "" not in rows and not any(map(str.isspace, rows)):
        return []
    filled = np.array([bool(row.strip()) for row in rows])
    return [int(row) for row in np.unique(np.cumsum(filled)[~filled])]
