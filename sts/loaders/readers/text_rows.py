"""Text files that hold their values in rows: a few lines of many numbers, the axis first."""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np

from sts.loaders.bare import AmbiguousComma, runs_one_way
from sts.loaders.block import Block, Column
from sts.loaders.dialect import Dialect, cells_of, is_comment, is_number, missing_marks, wanted_delimiters
from sts.loaders.loaded import UnreadableFile, shown
from sts.loaders.readers.text_header import entries_of
from sts.loaders.recipe import Recipe
from sts.loaders.rows import proposed_names, rows_key

FEWEST = 16  # numbers a line
MOST_LINES = 12
SLENDER = 4  # times as many numbers a line as lines
SHORT_TABLE = 3  # lines; a table of columns so short is no sweep
_NUMBER_FIRST = re.compile(r"[\s;,|]*[+-]?[.,]?\d")

Numbered = list[tuple[int, str]]


def rows_block(lines: Sequence[str], recipe: Recipe, *, cut: bool) -> tuple[Block, Dialect] | None:
    """The block of a file that holds its values in rows, a column for each line; None if it does not.

    Rows are up to 12 lines of numbers, equally many in each, at least 16 and at least four times as many as there are
    lines, and those of the first run one way, or there and back. What a recipe calls rows need not run one way.

    Parameters
    ----------
    lines : sequence of str
        Of the whole file.
    recipe : Recipe
    cut : bool
        Whether the last line has no end: its last number may be cut off.

    Raises
    ------
    UnreadableFile
        If the lines hold unequally many numbers, the recipe names columns, or rows that are not there.
    AmbiguousComma
        If a comma may be both delimiter and decimal mark.
    """
    marks = tuple(recipe.comment)
    head, filled = _few_lines(lines, marks)
    found = _cells(filled, recipe)
    if found is None:
        if recipe.rows:
            raise UnreadableFile(
                f"the recipe says rows = {list(recipe.rows)}; expected {len(recipe.rows)} lines of {FEWEST} or more numbers each, "
                "and nothing else but comments. Name the columns instead (column_names), or say in 'files' which files "
                "the recipe is for."
            )
        return None
    cells, dialect = found
    values = [_floats(row, dialect.decimal, recipe) for row in cells]
    notes = _without_a_cut_number(values, cells) if cut else []
    axis = values[0]
    one_way = bool(np.isfinite(axis).all()) and runs_one_way(axis)
    place = f"line {filled[0][0]}"
    _refuse_columns(recipe, values, place, one_way=one_way)
    if recipe.rows and len(recipe.rows) != len(values):
        raise UnreadableFile(
            f"holds {len(values)} lines of {axis.size} numbers; rows names {len(recipe.rows)}. Name each of them, - for one that "
            "is not used.",
            place=place,
        )
    if not (one_way or recipe.rows):
        return None
    names = ["" if name == "-" else name for name in recipe.rows] or [""] * len(values)
    columns = [Column(name, "", v) for name, v in zip(names, values, strict=True)]
    header = entries_of(head, dialect.delimiter, marks)
    return Block(columns, header, dialect.decimal, place=place, notes=notes, in_rows=True), dialect


def _few_lines(lines: Sequence[str], marks: Sequence[str]) -> tuple[Numbered, Numbered]:
    """The comments of a file, and its other lines if they may be rows; else none of these."""
    head: Numbered = []
    filled: Numbered = []
    for number, line in enumerate(lines, 1):
        if not line.strip():
            continue
        if is_comment(line, marks):
            head.append((number, line))
        elif len(filled) == MOST_LINES or len(line) < 2 * FEWEST - 1 or not _NUMBER_FIRST.match(line):
            return head, []
        else:
            filled.append((number, line))
    return head, filled if len(filled) > 1 else []


def _cells(filled: Numbered, recipe: Recipe) -> tuple[list[list[str]], Dialect] | None:
    """The cells of rows and how they are written; None if these lines are no rows."""
    if not filled:
        return None
    missing = missing_marks(recipe)
    for delimiter in wanted_delimiters(recipe):
        cells = [cells_of(line.strip(" "), delimiter) for _, line in filled]
        width = len(_trimmed(cells[0]))
        cells = [_trimmed(row, width) for row in cells]
        if width < max(FEWEST, SLENDER * len(cells)):
            continue
        for decimal in recipe.decimal or (".," if delimiter != "," else "."):
            if not all(is_number(cell, decimal, missing) for row in cells for cell in row):
                continue
            if delimiter == "," and not (recipe.decimal or recipe.delimiter):
                _refuse_ambiguous(filled, cells)
            _refuse_unequal(filled, cells, width)
            return cells, Dialect(delimiter, decimal, width, (True,) * width)
    return None


def _trimmed(cells: list[str], width: int = 0) -> list[str]:
    """A row without empty cells at its end (a delimiter there), but for those that fill it up to a width."""
    end = len(cells)
    while end > width and not cells[end - 1]:
        end -= 1
    return cells[:end]


def _refuse_unequal(filled: Numbered, cells: list[list[str]], width: int) -> None:
    for (number, _), row in zip(filled, cells, strict=True):
        if len(row) != width:
            raise UnreadableFile(
                f"holds {len(row)} numbers, line {filled[0][0]} holds {width}; expected values in rows, equally many in each "
                "line. If a line is cut off, export again.",
                place=f"line {number}",
            )


def _refuse_ambiguous(filled: Numbered, cells: list[list[str]]) -> None:
    """Refuse ``0,5,1,0``: four numbers, or two with a decimal comma."""
    pairs = [(a, b) for row in cells for a, b in zip(row[::2], row[1::2], strict=False)]
    whole = all(re.fullmatch(r"[+-]?\d+", a) and re.fullmatch(r"\d+(?:[eE][+-]?\d+)?", b) for a, b in pairs)
    if whole and all(len(row) % 2 == 0 for row in cells):
        raise AmbiguousComma(
            f"the comma may stand between numbers or be the decimal mark: {shown(filled[0][1].strip())}. Say --decimal point on "
            'import, or decimal = "." in a recipe, for the first; for the second export again with another delimiter.',
            place=f"line {filled[0][0]}",
        )


def _floats(row: list[str], decimal: str, recipe: Recipe) -> np.ndarray:
    missing = missing_marks(recipe)
    plain = (cell.replace(",", ".") if decimal == "," else cell for cell in row)
    return np.array([np.nan if cell in missing else float(re.sub("[dD]", "e", cell)) for cell in plain])


def _without_a_cut_number(values: list[np.ndarray], cells: list[list[str]]) -> list[str]:
    """Leave the last number out where it is written shorter than all others of its line, which are alike; and say so."""
    lengths = [len(cell.lstrip("+-")) for cell in cells[-1]]
    if len(set(lengths[:-1])) > 1 or lengths[-1] >= lengths[0]:
        return []
    values[-1][-1] = np.nan
    return [f"the last number is cut off and left out: {shown(cells[-1][-1])}"]


def _refuse_columns(recipe: Recipe, values: list[np.ndarray], place: str, *, one_way: bool) -> None:
    """Refuse a recipe that names columns of values in rows: a sweep of two points, each of two quantities."""
    width = values[0].size
    by_number = any(entry.number is not None for entry in recipe.column)
    few_names = bool(recipe.column_names) and len(recipe.column_names) != width
    if recipe.rows or not (few_names or by_number) or not (one_way or len(values) <= SHORT_TABLE):
        return
    how = "column_names" if few_names else "number under [[column]]"
    raise UnreadableFile(
        f"holds {len(values)} lines of {width} numbers: values in rows, and the recipe names columns "
        f"({how}), of which each would hold {len(values)} numbers. Say instead, "
        f"if that is what they are: {rows_key(proposed_names(values))}.",
        place=place,
    )
