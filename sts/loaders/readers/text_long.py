"""Long text files with one table: read in pieces, so that neither their text nor their cells are ever held as a whole.

What the file is like is told by its two ends, as for a short file. Where a piece is not like them, the file is read as short ones
are, which finds several tables, or says what is wrong and where.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from sts.loaders.block import Block
from sts.loaders.decode import CONTROLS, decode
from sts.loaders.dialect import Dialect, find_dialect, first_row, missing_marks, row_width
from sts.loaders.loaded import UnreadableFile
from sts.loaders.readers.text_numbers import parse_rows
from sts.loaders.readers.text_plain import breaks_of, refuse_endless_lines, refuse_thousands, rows_above
from sts.loaders.readers.text_rows import rows_block
from sts.loaders.readers.text_walk import make_block, odd_one_out
from sts.loaders.recipe import Recipe

LONG = 1 << 24  # [bytes] from which on a file is read in pieces
PIECE = 1 << 20  # [bytes]
END = 1 << 20  # [bytes] of both ends
_LONGEST = 20_000  # characters of a line


def long_block(content: bytes, recipe: Recipe) -> tuple[Block, list[str]] | None:
    """The one table of a long file, and notes on its encoding; None where it is short, or anything is out of the ordinary.

    Parameters
    ----------
    content : bytes
    recipe : Recipe
    """
    start, last = content.rfind(b"\n", 0, END) + 1, content.find(b"\n", len(content) - END) + 1
    if len(content) < LONG or recipe.blocks or recipe.skip_last_lines or not (start and last):
        return None
    head, tail = content[:start], content[last:]
    stop = len(content) - len(tail) + len(tail.rstrip(b"\x1a"))  # which ends text files of old systems
    cut = content[stop - 1] not in b"\r\n"
    try:
        text, notes = decode(head + tail, encoding=recipe.encoding)
        lines = text.split("\n")
        lines[: recipe.skip_lines] = [""] * min(recipe.skip_lines, len(lines))
        dialect = _dialect(lines, recipe, cut=cut)
    except UnreadableFile:  # of the whole file it is said which line
        return None
    count = head.count(b"\n")
    if dialect is None or b"\0" in head or head.count(b"\r") != head.count(b"\r\n") or recipe.skip_lines >= count:
        return None
    marks = tuple(recipe.comment)
    first = first_row(lines[:count], dialect, marks)
    above = [(i, line) for i, line in enumerate(lines[:first], 1) if line.strip()]
    if first == count or rows_above(above, dialect, marks):
        return None
    at = 0
    for _ in range(first):
        at = content.index(b"\n", at) + 1
    found = _table(content, at, stop, dialect, recipe)
    if found is None:
        return None
    return make_block(above, found[0], dialect, recipe, breaks=found[1], line=first + 1), notes


def _dialect(lines: list[str], recipe: Recipe, *, cut: bool) -> Dialect | None:
    """How the rows are written; None where they are no columns, or the last one is cut off."""
    refuse_endless_lines(lines)
    if rows_block(lines, recipe, cut=cut):
        return None
    dialect = find_dialect(lines, recipe, tuple(recipe.comment))
    refuse_thousands(lines, dialect, recipe)
    if cut:
        rows = [(0, line) for line in lines[-60:-1] if line.strip()]
        whole = row_width(lines[-1], dialect, missing_marks(recipe)) == dialect.width
        if not whole or odd_one_out(lines[-1], rows, dialect):
            return None
    return dialect


def _table(
    content: bytes, start: int, stop: int, dialect: Dialect, recipe: Recipe
) -> tuple[list[np.ndarray], tuple[int, ...]] | None:
    """The columns of the rows from one byte to another, and the rows before which an empty line stands."""
    most = content.count(b"\n", start, stop) + 1
    columns = [np.empty(most, float if numeric else object) for numeric in dialect.numeric]
    known: dict[str, str] = {}  # texts that stand in many rows
    breaks: list[int] = []
    count = 0
    for rows in _pieces(content, start, stop):
        if rows is None or max(map(len, rows)) > _LONGEST:
            return None
        breaks += [count + row for row in breaks_of(rows)]
        if not any(map(str.strip, rows)):
            continue
        values = parse_rows(rows, dialect, recipe)
        if values is None:
            return None
        for column, part in zip(columns, values, strict=True):
            column[count : count + part.size] = part if part.dtype == float else [known.setdefault(t, t) for t in part]
        count += values[0].size
    return [column[:count] for column in columns], tuple(sorted({row for row in breaks if row < count}))


def _pieces(content: bytes, start: int, stop: int) -> Iterator[list[str] | None]:
    """The lines from one byte to another, some thousand at a time; None where they are not plain ASCII."""
    while start < stop:
        end = stop if stop - start <= PIECE else content.rfind(b"\n", start, start + PIECE) + 1
        piece = content[start:end] if end else b""
        plain = piece.replace(b"\r\n", b"\n")
        if not end or not piece.isascii() or b"\r" in plain or len(plain.translate(None, CONTROLS)) != len(plain):
            yield None
            return
        yield plain.decode("ascii").removesuffix("\n").split("\n")
        start = end
