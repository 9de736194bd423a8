"""Text files with comments inside, several tables, or something wrong: taken line by line."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from sts.loaders.block import Block, Column, Entry
from sts.loaders.column_names import count_known
from sts.loaders.dialect import Dialect, cells_of, is_comment, is_number, missing_marks, row_width, uncomment
from sts.loaders.loaded import UnreadableFile, shown
from sts.loaders.readers.text_header import column_line, entries_of
from sts.loaders.readers.text_numbers import parse_rows
from sts.loaders.recipe import Recipe
from sts.loaders.words import key_of

_LONGEST_TITLE = 40  # characters
Lines = list[tuple[int, str]]  # numbered from 1
Names = tuple[list[str], list[str]]  # of columns, and their units


class Walk:
    """Goes down the lines of a file and closes a block where a table ends.

    Parameters
    ----------
    dialect, recipe : Dialect, Recipe
    cut : bool
        Whether the last line has no end: it may be cut off.
    """

    def __init__(self, dialect: Dialect, recipe: Recipe, *, cut: bool) -> None:
        self.dialect, self.recipe, self.cut = dialect, recipe, cut
        self.marks = tuple(recipe.comment)
        self.missing = missing_marks(recipe)
        self.blocks: list[Block] = []
        self.notes: list[str] = []
        self.names: Names | None = None  # of the last table; a table without names may go on with them
        self.common: list[Entry] = []  # of the first header: they hold for all tables
        self.header: Lines = []  # above the rows at hand
        self.pending: Lines = []  # since the last row, and none themselves
        self.rows: Lines = []
        self.breaks: list[int] = []
        self.width = 0

    def run(self, lines: list[str]) -> list[Block]:
        """The blocks of all lines.

        Parameters
        ----------
        lines : list of str

        Raises
        ------
        UnreadableFile
            If a line is neither row, comment nor header, a cell is no number, or there is no table.
        """
        last = max(i for i, line in enumerate(lines, 1) if line.strip())
        for number, line in enumerate(lines, 1):
            if line.strip():
                self._take(number, line, is_last=number == last)
            elif self.rows:
                self.breaks.append(len(self.rows))
        bare = self._bare()
        if self.rows and bare and len(entries_of(bare, self.dialect.delimiter)) < len(bare):
            raise _bad_line(bare, self.dialect, self.width, self._known_names(), end=True)
        self.header = self.header + self.pending
        self._close()
        if not self.blocks:
            raise UnreadableFile(
                "no table of numbers found under a line that names its columns. Expected, for example, "
                "'V (mV)<tab>I (nA)' and rows of numbers below.",
                place=f"line {last}",
            )
        self.blocks[0].notes.extend(self.notes)
        return self.blocks

    def _take(self, number: int, line: str, *, is_last: bool) -> None:
        """One line that is not empty: a row, or something between rows."""
        if is_comment(line, self.marks):
            self.pending.append((number, line))
            return
        cells = row_width(line, self.dialect, self.missing)
        if self.cut and is_last and self.rows and (cells != self.width or odd_one_out(line, self.rows, self.dialect)):
            self.notes.append(f"the last line (line {number}) is cut off and left out: {shown(line.strip())}")
            return
        if cells and self.rows and self.pending:
            self._resume(number, line, cells)
        if cells and not self.rows:
            self.header, self.pending, self.width = self.header + self.pending, [], cells
        (self.rows if cells and cells == self.width else self.pending).append((number, line))

    def _resume(self, number: int, line: str, cells: int) -> None:
        """A row after lines that are none: the next table, or the same one behind a comment."""
        bare, delimiter = self._bare(), self.dialect.delimiter
        starts = column_line(self.pending, delimiter, cells, Recipe(), self.marks)
        known = any(key_of(e.key)[0] for e in entries_of(self.pending, delimiter, self.marks))
        if (starts and count_known(starts[0])) or known or (bare and len(entries_of(bare, delimiter)) == len(bare)):
            self._close()
            self.header, self.pending, self.rows, self.breaks, self.width = self.pending, [], [], [], cells
        elif bare or cells != self.width:
            raise _bad_line(bare or [(number, line)], self.dialect, self.width, self._known_names())
        else:
            self.breaks.append(len(self.rows))
            self.notes += _remarks(self.pending, self.marks, about=", within the table,")
            self.pending = []

    def _bare(self) -> Lines:
        """The pending lines that are no comments."""
        return [(number, line) for number, line in self.pending if not is_comment(line, self.marks)]

    def _known_names(self) -> Names:
        found = self.names or column_line(self.header, self.dialect.delimiter, self.width, self.recipe, self.marks)
        return (found[0], found[1]) if found else ([""] * self.width, [""] * self.width)

    def _close(self) -> None:
        """Make a block of the rows at hand."""
        if not self.rows:
            return
        found = column_line(self.header, self.dialect.delimiter, self.width, self.recipe, self.marks)
        if found:
            self.names = found[0], found[1]
        elif self.names and len(self.names[0]) != self.width:
            self.names = None
        dialect = self.dialect
        if self.width != dialect.width:
            dialect = Dialect(dialect.delimiter, dialect.decimal, self.width, (True,) * self.width)
        if found is None and self.names is None and len(self.rows) == 1:
            return  # a lone row of numbers in the header
        values = parse_rows([row for _, row in self.rows], dialect, self.recipe)
        if values is None:
            raise _bad_cell(self.rows, dialect, self.names[0] if self.names else [], self.missing)
        block = make_block(
            self.header, values, dialect, self.recipe, breaks=tuple(self.breaks), line=self.rows[0][0], known=self.names
        )
        kept = [e for e in self.common if key_of(e.key)[0] not in {key_of(b.key)[0] for b in block.header} - {""}]
        if not self.blocks:
            self.common = [e for e in block.header if key_of(e.key)[0] not in ("direction", "repeat", "sweep")]
            kept = []
        self.blocks.append(replace(block, header=[*kept, *block.header]))


def make_block(
    header: Sequence[tuple[int, str]],
    values: list[np.ndarray],
    dialect: Dialect,
    recipe: Recipe,
    *,
    breaks: tuple[int, ...],
    line: int,
    known: Names | None = None,
) -> Block:
    """A block of columns under the lines of its header; `known` are the names where the header has none.

    Parameters
    ----------
    header : sequence of (int, str)
        Numbered lines above the table.
    values : list of ndarray, shape (n,)
        Its columns.
    dialect, recipe : Dialect, Recipe
    breaks : tuple of int
        Rows before which an empty line stands.
    line : int
        Number of its first row.
    known : (list of str, list of str), optional
        Names and units where the header has none.
    """
    marks = tuple(recipe.comment)
    found = column_line(header, dialect.delimiter, len(values), recipe, marks)
    names, units, used = found or (*(known or ([""] * len(values), [""] * len(values))), set())
    columns = [Column(n, u, v) for n, u, v in zip(names, units, values, strict=True)]
    if columns and not columns[-1].name and _is_empty(columns[-1].values):
        columns.pop()  # a delimiter at the end of each row
    columns = [c for c in columns if c.name or not _is_empty(c.values)]
    others = [item for item in header if item[0] not in used]
    entries = entries_of(others, dialect.delimiter, marks)
    read = {entry.place for entry in entries}
    silent = [(number, text) for number, text in others if f"line {number}" not in read]
    last = uncomment(silent[-1][1], marks).strip() if silent and silent[-1] == others[-1] else ""
    title = last if len(last) <= _LONGEST_TITLE else ""
    silent = [item for item in silent if _MAY_MATTER.search(item[1])]
    return Block(columns, entries, dialect.decimal, breaks, f"line {line}", _remarks(silent, marks, about=""), title)


_MAY_MATTER = re.compile(
    r"(?i)\b(?:invert\w*|polarity|grounded|negat\w*|multipl\w*|divid\w*|scale\w*|scaling|factor|gain|prefactor|calibrat\w*|"
    r"bias(?:ed)? (?:is )?(?:on|to|at|applied)|[x×]\s?10+)\b"
)
_SIGN = re.compile(r"(?i)\b(?:invert\w*|polarity|grounded|negat\w*|bias(?:ed)? (?:is )?(?:on|to|at|applied))\b")


def _remarks(lines: Sequence[tuple[int, str]], marks: Sequence[str], *, about: str) -> list[str]:
    """Notes on lines that are read as nothing, and speak of a sign or a factor."""
    notes = []
    for number, line in lines:
        text = uncomment(line, marks).strip()
        if _MAY_MATTER.search(text):
            sign = "sign: " if _SIGN.search(text) else ""
            notes.append(
                f"{sign}line {number}{about} says {shown(text)}, which is not read; if it touches the numbers, say so in a recipe"
            )
    return notes[:6]


def _is_empty(values: np.ndarray) -> bool:
    return bool(np.isnan(values).all()) if values.dtype == float else False


def odd_one_out(line: str, rows: Sequence[tuple[int, str]], dialect: Dialect) -> bool:
    """Whether the last number of a line without an end is written shorter than in all lines before it.

    Parameters
    ----------
    line : str
    rows : sequence of (int, str)
        Numbered, before it.
    dialect : Dialect
    """

    def shape(text: str) -> tuple[int, int]:
        cells = cells_of(text, dialect.delimiter)
        match = re.fullmatch(r"[+-]?\d*[.,]?(\d*)(?:[eEdD][+-]?(\d*))?", cells[-1]) if cells else None
        return (len(match[1]), len(match[2] or "")) if match else (-1, -1)

    before = {shape(row) for _, row in rows[-50:]}
    return len(rows) >= 5 and len(before) == 1 and shape(line) < next(iter(before))


def _bad_cell(
    rows: Sequence[tuple[int, str]], dialect: Dialect, names: Sequence[str], missing: frozenset[str]
) -> UnreadableFile:
    for number, row in rows:
        cells = cells_of(row, dialect.delimiter)
        for j, cell in enumerate(cells[: dialect.width]):
            if dialect.numeric[j] and not is_number(cell, dialect.decimal, missing):
                return _wrong_cell(number, j, cell, dialect, names)
    return UnreadableFile(
        f"the {len(rows)} rows from here cannot be read as {dialect.width} columns. Look for a row that differs, or "
        "export again.",
        place=f"line {rows[0][0]}",
    )


def _wrong_cell(number: int, j: int, cell: str, dialect: Dialect, names: Sequence[str]) -> UnreadableFile:
    label = f" '{names[j]}'" if j < len(names) and names[j] else ""
    mark = "point" if dialect.decimal == "." else "comma"
    return UnreadableFile(
        f"found {shown(cell)}, expected a number with decimal {mark}. Correct the cell; if it marks a missing number, "
        "add it to 'missing' in a recipe.",
        place=f"line {number}, column {j + 1}{label}",
    )


def _bad_line(
    lines: Sequence[tuple[int, str]], dialect: Dialect, width: int, names: Names, *, end: bool = False
) -> UnreadableFile:
    number, line = lines[0]
    cells = cells_of(line, dialect.delimiter)
    if len(cells) == width:
        for j, cell in enumerate(cells):
            numeric = dialect.numeric[j] if width == dialect.width else True
            if numeric and not is_number(cell, dialect.decimal):
                return _wrong_cell(number, j, cell, dialect, names[0])
    todo = f"or say skip_last_lines = {len(lines)} in a recipe" if end else "or mark it as a comment with #"
    count = f"{len(cells)} cells, " if len(cells) > 1 else ""
    return UnreadableFile(
        f"found {count}{shown(line.strip())}, expected a row of {width} numbers. Take the line out, {todo}.",
        place=f"line {number}",
    )
