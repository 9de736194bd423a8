"""Text files: find delimiter, decimal mark, header and tables; the numbers are parsed by pandas' C engine."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from sts.loaders.block import Block, Column, Entry
from sts.loaders.dialect import (
    DELIMITERS,
    MISSING_SET,
    Dialect,
    cells_of,
    find_dialect,
    first_row,
    is_comment,
    is_number,
    missing_marks,
    row_width,
    uncomment,
)
from sts.loaders.loaded import UnreadableFile, shown
from sts.loaders.recipe import Recipe
from sts.loaders.words import count_known, is_unit, key_of

_RULE = re.compile(r"[\s\-=_*#~+|:;,.%/]*")
_LONGEST_LINE = 1_000_000  # characters
_WIDEST = 20_000  # cells
_MOST_HEADER = 10_000  # lines, at its top and at its end
_SMALL = 200_000  # characters
_UNIT_WORDS = {"", "-", "a.u.", "arb.", "arb.u.", "arb. u.", "arb. units"}


def read_text(text: str, name: str, recipe: Recipe) -> list[Block]:
    """The blocks of a text file.

    Raises
    ------
    UnreadableFile
        If there is no table of numbers, a cell is not what its column says, or the dialect is ambiguous.
    """
    lines = text.split("\n")
    lines[: recipe.skip_lines] = [""] * min(recipe.skip_lines, len(lines))
    if recipe.skip_last_lines:
        filled = [i for i, line in enumerate(lines) if line.strip()]
        lines = lines[: [*filled, len(lines)][-recipe.skip_last_lines - 1] if filled else 0]
    marks = tuple(recipe.comment)
    _refuse_endless_lines(lines, name)
    whole = not text.endswith("\n")  # the last line has no end: it may be cut off
    dialect = find_dialect(lines, name, recipe, marks)
    first = first_row(lines, dialect, marks)
    simple = _simple_block(lines, first, dialect, name, recipe, marks, whole)
    return [simple] if simple else _walk(lines, dialect, name, recipe, marks, whole)


def _refuse_endless_lines(lines: list[str], name: str) -> None:
    """Refuse lines that no table of sweeps has; taking them apart could take minutes."""
    if max(map(len, lines)) <= _WIDEST:
        return
    for number, line in enumerate(lines, 1):
        if len(line) <= _WIDEST:
            continue
        cells = max(len(line.split()), *(line.count(d) + 1 for d in DELIMITERS if d != " "))
        if len(line) > _LONGEST_LINE or cells > _WIDEST:
            raise UnreadableFile(
                f"{name}, line {number}: has {len(line)} characters in up to {cells} cells; rows of up to "
                f"{_WIDEST} numbers are "
                "read. Export the points of a sweep below each other, or as an array (.npz)."
            )


# ---- header


def entries_of(lines: Sequence[tuple[int, str]], delimiter: str, marks: Sequence[str] = ()) -> list[Entry]:
    """The ``key: value``, ``key = value`` and ``key<delimiter>value`` of header lines."""
    found = []
    if len(lines) > 2 * _MOST_HEADER:
        lines = [*lines[:_MOST_HEADER], *lines[-_MOST_HEADER:]]
    for number, line in lines:
        text = uncomment(line, marks).strip().strip('"').rstrip(";,\t ")
        match = re.match(r"([^:=]{1,80}?)\s*[:=]\s*(\S.*)$", text)
        if match:
            found.append(Entry(match[1].strip(), match[2].strip().strip('"'), f"line {number}"))
            continue
        cells = cells_of(text, delimiter) if delimiter != " " else re.split(r"\t|\s{2,}", text)
        if len(cells) % 2 == 0 and all(re.search(r"[^\W\d_]", key) for key in cells[::2]):
            found += [Entry(k, v, f"line {number}") for k, v in zip(cells[::2], cells[1::2], strict=True)]
    return found


def _name_cells(line: str, delimiter: str, width: int) -> list[str] | None:
    """A line of names as so many cells, whatever stands between them; None if it does not fit."""
    tries = [cells_of(line, delimiter), *(cells_of(line, d) for d in "\t;," if d != delimiter)]
    tries.append(re.split(r"\s{2,}|\t", line.strip()))
    tries.append(re.findall(r"[^\s()\[\]{}]+(?:\s*/\s*[^\s()\[\]{}]+)?(?:\s*[(\[{][^()\[\]{}]*[)\]}])*", line))
    for cells in tries:
        if len(cells) == width + 1 and cells[-1] == "":
            cells = cells[:-1]
        if len(cells) == width - 1 and line.rstrip()[-1:] != delimiter and delimiter != " ":
            cells = [*cells, ""]  # rows end with a delimiter, the names do not
        if len(cells) == width and any(re.search(r"[^\W\d]", cell) for cell in cells):
            return [cell.strip() for cell in cells]
    return None


def _is_unit_row(cells: list[str]) -> bool:
    bare = [c.strip("()[]{} ") for c in cells]
    return any(bare) and all(b.lower() in _UNIT_WORDS or is_unit(b) for b in bare)


def column_line(
    lines: Sequence[tuple[int, str]], delimiter: str, width: int, recipe: Recipe, marks: Sequence[str]
) -> tuple[list[str], list[str], set[int]] | None:
    """Names and units of the columns, and the numbers of the lines that gave them; None if no line fits."""
    if recipe.column_names:
        names = [*recipe.column_names, *[""] * width][:width]
        return names, [""] * width, set()
    units, used = [""] * width, set[int]()
    fallback: tuple[list[str], list[str], set[int]] | None = None
    for number, line in list(lines)[::-1][:8] if recipe.column_line is None else list(lines)[::-1]:
        if recipe.column_line is not None and number != recipe.column_line:
            continue
        text = uncomment(line, marks)
        if _RULE.fullmatch(text):
            continue
        cells = _name_cells(text, delimiter, width)
        if cells is None:
            continue
        if (
            not used
            and recipe.column_line is None
            and _is_unit_row(cells)
            and _above_is_names(lines, number, delimiter, width, marks)
        ):
            units, used = [c.strip("()[]{} ") for c in cells], {number}
            continue
        wanted = any(recipe.entry(c, j + 1) for j, c in enumerate(cells) if c) or recipe.column_line is not None
        if count_known(cells) or wanted:
            return cells, units, used | {number}
        if fallback is None and not re.match(r"[^:=]{1,80}[:=]\s*\S", text):
            fallback = cells, units, used | {number}
    return fallback


def _above_is_names(
    lines: Sequence[tuple[int, str]], number: int, delimiter: str, width: int, marks: Sequence[str]
) -> bool:
    for above, line in list(lines)[::-1]:
        if above < number and not _RULE.fullmatch(uncomment(line, marks)):
            cells = _name_cells(uncomment(line, marks), delimiter, width)
            return cells is not None and (count_known(cells) > 0 or not _is_unit_row(cells))
    return False


# ---- blocks


def _simple_block(
    lines: list[str], first: int, dialect: Dialect, name: str, recipe: Recipe, marks: Sequence[str], whole: bool
) -> Block | None:
    """The one table of an ordinary file, in one go; None if anything is out of the ordinary."""
    rows = lines[first:]
    while rows and not rows[-1].strip():
        rows.pop()
    if whole or not rows or recipe.blocks:
        return None
    values = _parse(rows, dialect, recipe)
    if values is None:
        return None
    above = [(i, line) for i, line in enumerate(lines[:first], 1) if line.strip()]
    if any(row_width(line, dialect, MISSING_SET) for _, line in above[-2:] if not is_comment(line, marks)):
        return None
    breaks: tuple[int, ...] = ()
    if not all(map(str.strip, rows)):
        filled = np.array([bool(row.strip()) for row in rows])
        breaks = tuple(np.unique(np.cumsum(filled)[~filled]).tolist())
    return _block(above, values, dialect, recipe, marks, breaks, first + 1)


def _block(
    header: Sequence[tuple[int, str]], values: list[np.ndarray], dialect: Dialect, recipe: Recipe,
    marks: Sequence[str], breaks: tuple[int, ...], line: int,
    known: tuple[list[str], list[str]] | None = None,
) -> Block:  # fmt: skip
    found = column_line(header, dialect.delimiter, len(values), recipe, marks)
    names, units, used = found or (*(known or ([""] * len(values), [""] * len(values))), set())
    columns = [Column(n, u, v) for n, u, v in zip(names, units, values, strict=True)]
    if columns and not columns[-1].name and _is_empty(columns[-1].values):
        columns.pop()  # a delimiter at the end of each row
    columns = [c for c in columns if c.name or not _is_empty(c.values)]
    entries = entries_of([item for item in header if item[0] not in used], dialect.delimiter, marks)
    return Block(columns, entries, dialect.decimal, breaks, f"line {line}")


def _is_empty(values: np.ndarray) -> bool:
    return bool(np.isnan(values).all()) if values.dtype == float else False


def _parse(rows: list[str], dialect: Dialect, recipe: Recipe) -> list[np.ndarray] | None:
    """The columns of rows that are all alike; None if a row is not."""
    delimiter, decimal = dialect.delimiter, dialect.decimal
    text = [j for j, numeric in enumerate(dialect.numeric) if not numeric]
    body = "\n".join(rows)
    if not text and not recipe.missing and len(body) < _SMALL:
        plain = _plain_numbers(rows, body, delimiter, decimal, dialect.width)
        if plain is not None:
            return plain
    if '"' in body:
        cells = [cells_of(row, delimiter) for row in rows if row.strip()]
        body, delimiter = "\n".join("\x1f".join(row) for row in cells), "\x1f"
    if all(dialect.numeric) and ("D" in body or "d" in body):
        body = re.sub(r"(?<=[\d.,])[dD](?=[+-]?\d)", "e", body)
    dtypes: Any = {j: object if j in text else float for j in range(dialect.width)} if text else float
    frame = None if text or recipe.missing else _frame(body, delimiter, decimal, dtypes, None)
    if frame is None:
        frame = _frame(body, delimiter, decimal, dtypes, sorted(missing_marks(recipe)))
    if frame is None:
        return None
    count = sum(1 for row in rows if row.strip())
    if frame.shape != (count, dialect.width):
        return None
    if delimiter == " ":
        short = (
            any(len(row.split()) != dialect.width for row in rows if row.strip())
            if frame.isna().any(axis=None)
            else False
        )
    else:
        short = body.count(delimiter) != count * (dialect.width - 1)
    if short:
        return None
    if not text:
        return list(np.ascontiguousarray(frame.to_numpy(float).T))
    return [
        np.array([str(v).strip() if v == v else "" for v in frame[j]], dtype=object)
        if j in text
        else frame[j].to_numpy(float)
        for j in range(dialect.width)
    ]


def _plain_numbers(rows: list[str], body: str, delimiter: str, decimal: str, width: int) -> list[np.ndarray] | None:
    """The columns of a small table without missing cells; None if it is not that plain.

    pandas' C engine takes longer to start than numpy's takes for the whole of a small file.
    """
    if decimal == ",":
        if "." in body:
            return None
        rows = body.replace(",", ".").split("\n")
    try:
        table = np.loadtxt(rows, delimiter=None if delimiter == " " else delimiter, comments=None, ndmin=2)
    except ValueError:
        return None
    return list(np.ascontiguousarray(table.T)) if table.shape[1] == width else None


def _frame(body: str, delimiter: str, decimal: str, dtypes: Any, missing: list[str] | None) -> pd.DataFrame | None:
    """The cells of plain rows by pandas' C engine; None if one does not fit. Without `missing` it is faster."""
    numbers = [j for j, dtype in dtypes.items() if dtype is float] if isinstance(dtypes, dict) else None
    marks: Any = missing if numbers is None or missing is None else dict.fromkeys(numbers, missing)
    try:
        return pd.read_csv(
            io.StringIO(body),
            sep=r"\s+" if delimiter == " " else delimiter,
            header=None,
            decimal=decimal,
            dtype=dtypes,
            engine="c",
            na_values=marks,
            keep_default_na=False,
            na_filter=missing is not None,
            skipinitialspace=True,
            quoting=csv.QUOTE_NONE,
            skip_blank_lines=True,
        )
    except (ValueError, OverflowError, pd.errors.ParserError):
        return None


def _walk(
    lines: list[str], dialect: Dialect, name: str, recipe: Recipe, marks: Sequence[str], whole: bool
) -> list[Block]:
    """The blocks of a file with comments inside, several tables, or something wrong, line by line."""
    missing = missing_marks(recipe)
    blocks: list[Block] = []
    notes: list[str] = []
    names: tuple[list[str], list[str]] | None = None
    common: list[Entry] = []
    header: list[tuple[int, str]] = []  # above the rows at hand
    pending: list[tuple[int, str]] = []  # lines since the last row that are none
    rows: list[tuple[int, str]] = []
    breaks: list[int] = []
    width = 0

    def close() -> None:
        nonlocal names, common
        if not rows:
            return
        found = column_line(header, dialect.delimiter, width, recipe, marks)
        names = (found[0], found[1]) if found else names if names and len(names[0]) == width else None
        wide = (
            dialect if width == dialect.width else Dialect(dialect.delimiter, dialect.decimal, width, (True,) * width)
        )
        if found is None and names is None and len(rows) == 1:
            return  # a lone row of numbers in the header
        values = _parse([row for _, row in rows], wide, recipe)
        if values is None:
            raise _bad_cell(rows, wide, name, names[0] if names else [], missing)
        block = _block(header, values, wide, recipe, marks, tuple(breaks), rows[0][0], names)
        kept = [e for e in common if key_of(e.key)[0] not in {key_of(b.key)[0] for b in block.header} - {""}]
        if not blocks:
            common = [e for e in block.header if key_of(e.key)[0] not in ("direction", "repeat", "sweep")]
            kept = []
        blocks.append(Block([*block.columns], [*kept, *block.header], block.decimal, block.breaks, block.place))

    last = max(i for i, line in enumerate(lines, 1) if line.strip())
    for number, line in enumerate(lines, 1):
        if not line.strip():
            if rows:
                breaks.append(len(rows))
            continue
        if is_comment(line, marks):
            pending.append((number, line))
            continue
        cells = row_width(line, dialect, missing)
        if whole and number == last and rows and (cells != width or _odd_one_out(line, rows, dialect)):
            notes.append(f"the last line (line {number}) is cut off and left out: {shown(line.strip())}")
            continue
        if cells and rows and pending:
            starts = column_line(pending, dialect.delimiter, cells, Recipe(), marks)
            bare = [(n, x) for n, x in pending if not is_comment(x, marks)]
            known = any(key_of(e.key)[0] for e in entries_of(pending, dialect.delimiter, marks))
            if (
                (starts and count_known(starts[0]))
                or known
                or (bare and len(entries_of(bare, dialect.delimiter)) == len(bare))
            ):
                close()
                header, pending, rows, breaks, width = pending, [], [], [], cells
            elif bare or cells != width:
                raise _bad_line(
                    bare or [(number, line)],
                    dialect,
                    width,
                    name,
                    names or _names(header, dialect, width, recipe, marks),
                )
            else:
                breaks.append(len(rows))
                pending = []
        if cells and not rows:
            header, pending, width = header + pending, [], cells
        if cells and cells == width:
            rows.append((number, line))
        else:
            pending.append((number, line))
    bare = [(n, x) for n, x in pending if not is_comment(x, marks)]
    if rows and bare and len(entries_of(bare, dialect.delimiter)) < len(bare):
        raise _bad_line(bare, dialect, width, name, names or _names(header, dialect, width, recipe, marks), end=True)
    header = header + pending
    close()
    if not blocks:
        raise UnreadableFile(
            f"{name}, line {last}: no table of numbers found under a line that names its columns. Expected, for "
            "example, 'V (mV)<tab>I (nA)' and rows of numbers below."
        )
    chosen = [blocks[i - 1] for i in recipe.blocks if i <= len(blocks)] if recipe.blocks else blocks
    if not chosen:
        raise UnreadableFile(
            f"{name}: has {len(blocks)} tables; the recipe asks for {recipe.blocks}. Correct 'blocks'."
        )
    chosen[0].notes.extend(notes)
    return chosen


def _names(
    header: Sequence[tuple[int, str]], dialect: Dialect, width: int, recipe: Recipe, marks: Sequence[str]
) -> tuple[list[str], list[str]]:
    found = column_line(header, dialect.delimiter, width, recipe, marks)
    return (found[0], found[1]) if found else ([""] * width, [""] * width)


def _odd_one_out(line: str, rows: Sequence[tuple[int, str]], dialect: Dialect) -> bool:
    """Whether the last number of a line without an end is written shorter than in all lines before it."""

    def shape(text: str) -> tuple[int, int]:
        cells = cells_of(text, dialect.delimiter)
        match = re.fullmatch(r"[+-]?\d*[.,]?(\d*)(?:[eEdD][+-]?(\d*))?", cells[-1]) if cells else None
        return (len(match[1]), len(match[2] or "")) if match else (-1, -1)

    before = {shape(row) for _, row in rows[-50:]}
    return len(rows) >= 5 and len(before) == 1 and shape(line) < next(iter(before))


def _bad_cell(
    rows: Sequence[tuple[int, str]], dialect: Dialect, name: str, names: Sequence[str], missing: frozenset[str]
) -> UnreadableFile:
    for number, row in rows:
        cells = cells_of(row, dialect.delimiter)
        for j, cell in enumerate(cells[: dialect.width]):
            if dialect.numeric[j] and not is_number(cell, dialect.decimal, missing):
                return UnreadableFile(_cell_message(name, number, j, cell, dialect, names))
    return UnreadableFile(
        f"{name}, line {rows[0][0]}: the {len(rows)} rows from here cannot be read as {dialect.width} "
        f"columns. Look for "
        "a row that differs, or export again."
    )


def _cell_message(name: str, number: int, j: int, cell: str, dialect: Dialect, names: Sequence[str]) -> str:
    label = f" '{names[j]}'" if j < len(names) and names[j] else ""
    mark = "point" if dialect.decimal == "." else "comma"
    return (
        f"{name}, line {number}, column {j + 1}{label}: found {shown(cell)}, expected a number with "
        f"decimal {mark}. Correct "
        f"the cell; if it marks a missing number, add it to 'missing' in a recipe."
    )


def _bad_line(
    lines: Sequence[tuple[int, str]], dialect: Dialect, width: int, name: str,
    names: tuple[list[str], list[str]], *, end: bool = False,
) -> UnreadableFile:  # fmt: skip
    number, line = lines[0]
    cells = cells_of(line, dialect.delimiter)
    if len(cells) == width:
        for j, cell in enumerate(cells):
            numeric = dialect.numeric[j] if width == dialect.width else True
            if numeric and not is_number(cell, dialect.decimal):
                return UnreadableFile(_cell_message(name, number, j, cell, dialect, names[0]))
    todo = f"or say skip_last_lines = {len(lines)} in a recipe" if end else "or mark it as a comment with #"
    count = f"{len(cells)} cells, " if len(cells) > 1 else ""
    return UnreadableFile(
        f"{name}, line {number}: found {count}{shown(line.strip())}, expected a row of {width} numbers. "
        f"Take the line out, {todo}."
    )
