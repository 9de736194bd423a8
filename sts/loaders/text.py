"""Text files: find delimiter, decimal mark, header and tables; the numbers are parsed by pandas' C engine."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from sts.loaders.block import Block, Column, Entry
from sts.loaders.loaded import UnreadableFile, shown
from sts.loaders.recipe import Recipe
from sts.loaders.words import QUANTITIES, is_unit, key_of, understand

MISSING = (
    "", "nan", "NaN", "NAN", "-nan", "-NaN", "NA", "N/A", "n/a", "na", "null", "NULL", "None", "<NA>", "#N/A", "-",
    "--", "---", "?", "*", "**", "***", "1.#QNAN", "1.#IND", "-1.#IND", "-1.#QNAN", "#NUM!", "NaN.",
)  # fmt: skip
_MISSING = frozenset(MISSING)
_NUMBER = {
    ".": re.compile(r"[+-]?(?:(?:\d+\.?\d*|\.\d+)(?:[eEdD][+-]?\d+)?|inf|Inf|INF|infinity|Infinity)"),
    ",": re.compile(r"[+-]?(?:(?:\d+|\d*,\d+)(?:[eEdD][+-]?\d+)?|inf|Inf|INF|infinity|Infinity)"),
}
_COMMENT = re.compile(r"\s*(?:#+|%+|//+|;+)")
_RULE = re.compile(r"[\s\-=_*#~+|:;,.%/]*")
_DELIMITERS = ("\t", ";", "|", ",", " ")  # " " stands for any white space
_SAMPLE = 24
_LONGEST_LINE = 1_000_000  # characters
_WIDEST = 20_000  # cells
_MOST_HEADER = 10_000  # lines, at its top and at its end
_SMALL = 200_000  # characters
_UNIT_WORDS = {"", "-", "a.u.", "arb.", "arb.u.", "arb. u.", "arb. units"}


@dataclass(frozen=True)
class Dialect:
    """How the numbers are written."""

    delimiter: str
    decimal: str
    width: int  # cells a row
    numeric: tuple[bool, ...]  # per cell: number, or text


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
    dialect = _find_dialect(lines, name, recipe, marks)
    first = _first_row(lines, dialect, marks)
    simple = _simple_block(lines, first, dialect, name, recipe, marks, whole)
    return [simple] if simple else _walk(lines, dialect, name, recipe, marks, whole)


def _refuse_endless_lines(lines: list[str], name: str) -> None:
    """Refuse lines that no table of sweeps has; taking them apart could take minutes."""
    if max(map(len, lines)) <= _WIDEST:
        return
    for number, line in enumerate(lines, 1):
        if len(line) <= _WIDEST:
            continue
        cells = max(len(line.split()), *(line.count(d) + 1 for d in _DELIMITERS if d != " "))
        if len(line) > _LONGEST_LINE or cells > _WIDEST:
            raise UnreadableFile(
                f"{name}, line {number}: has {len(line)} characters in up to {cells} cells; rows of up to "
                f"{_WIDEST} numbers are "
                "read. Export the points of a sweep below each other, or as an array (.npz)."
            )


# ---- cells and numbers


def cells_of(line: str, delimiter: str) -> list[str]:
    """The cells of a line, without quotes and surrounding spaces."""
    if '"' in line and len(line) < csv.field_size_limit():
        row = next(csv.reader([line.strip()], delimiter=delimiter, skipinitialspace=True), [])
        return [cell.strip() for cell in row if cell.strip() or delimiter != " "]
    return line.split() if delimiter == " " else [cell.strip() for cell in line.split(delimiter)]


def _is_number(cell: str, decimal: str, missing: frozenset[str] = _MISSING) -> bool:
    return cell in missing or _NUMBER[decimal].fullmatch(cell) is not None


def _is_comment(line: str, marks: Sequence[str]) -> bool:
    if marks and line.lstrip().startswith(tuple(marks)):
        return True
    match = _COMMENT.match(line)
    if match is None:
        return False
    rest = line[match.end() :]
    # A row may begin with an empty cell before a semicolon; a comment does not go on with a number and another one.
    return not (match.group().strip() == ";" and re.match(r"\s*[+-]?[\d.,]+\s*(;|$)", rest))


def _uncomment(line: str, marks: Sequence[str]) -> str:
    line = line.strip()
    for mark in marks:
        if line.startswith(mark):
            return line[len(mark) :].strip()
    match = _COMMENT.match(line)
    return line[match.end() :].strip() if match else line


def _missing(recipe: Recipe) -> frozenset[str]:
    return _MISSING | frozenset(recipe.missing)


def _row_width(line: str, dialect: Dialect, missing: frozenset[str]) -> int:
    """Cells of a row of the table, 0 if the line is none."""
    cells = cells_of(line, dialect.delimiter)
    numbers = [_is_number(c, dialect.decimal, missing) for c in cells]
    fits = len(cells) == dialect.width and all(n or not d for n, d in zip(numbers, dialect.numeric, strict=True))
    real = sum(n and c not in missing for n, c in zip(numbers, cells, strict=True))
    if (fits or (all(numbers) and len(cells) > 1)) and (real or fits):
        return len(cells) if real else 0
    return 0


# ---- dialect


def _find_dialect(lines: list[str], name: str, recipe: Recipe, marks: Sequence[str]) -> Dialect:
    filled: list[str] = []
    for line in reversed(lines):  # the numbers are at the end, however long the header is
        if re.search(r"\d", line) and not _is_comment(line, marks):
            filled.append(line)
            if len(filled) > _SAMPLE:
                break
    if not filled:
        raise UnreadableFile(f"{name}: no line with numbers; expected a table of sweeps. Export it again.")
    sample = (filled[1:] if len(filled) > 4 else filled)[::-1]  # without the last line, which may be cut off
    wanted = {"": _DELIMITERS, "tab": ("\t",), "spaces": (" ",)}.get(recipe.delimiter, (recipe.delimiter,))
    missing = _missing(recipe)
    dialect = None
    for length in (_SAMPLE, 12, 4, 2):  # a short table under a long header
        best = 0.0
        joined = "\n".join(sample[-length:])
        for delimiter in wanted:
            if best == 1 or (delimiter not in joined and delimiter != " "):
                continue  # a row of numbers throughout cannot be bettered
            rows = [cells_of(line, delimiter) for line in sample[-length:]]
            for decimal in recipe.decimal or (".," if "," in joined else "."):
                score, tried = _try(rows, delimiter, decimal, missing)
                if score > best + 1e-9:
                    best, dialect = score, tried
        if dialect is not None:
            break
    sample = sample[-length if dialect else -_SAMPLE :]
    _refuse_ambiguous_comma(lines, sample, dialect, name, recipe, marks)
    if dialect is None:
        line = sample[-1]
        number = max(i for i, text in enumerate(lines, 1) if text == line)
        digits = re.search(r"[^\s\d.,;+\-eE]", line) is None
        if digits and re.search(r"\d,\d", line) and re.search(r"\d\.\d", line):
            found = f"{shown(line.strip())}, with both comma and point in its numbers"
            hint = "Export with one decimal mark and without marks for thousands."
        elif digits and all(len(cells_of(x, " ")) == 1 for x in sample):
            found, hint = "one number a line", "Export the axis and the current side by side."
        else:
            found = shown(line.strip())
            hint = "Export the sweeps as text, or say 'delimiter' and 'decimal' in a recipe."
        raise UnreadableFile(
            f"{name}, line {number}: found {found}; expected a row of two or more numbers (a sweep needs "
            f"its axis and "
            f"its current). {hint}"
        )
    return dialect


def _try(rows: list[list[str]], delimiter: str, decimal: str, missing: frozenset[str]) -> tuple[float, Dialect | None]:
    widths = [len(row) for row in rows]
    width = max(set(widths), key=lambda w: (widths.count(w), w))
    usual = [row for row in rows if len(row) == width]
    if width < 2 or len(usual) < 0.5 * len(rows):
        return 0.0, None
    numbers = [[_is_number(cell, decimal, missing) for cell in row] for row in usual]
    share = [sum(column) / len(usual) for column in zip(*numbers, strict=True)]
    numeric = tuple(s >= 0.5 for s in share)
    real = [any(row[j] not in missing and n[j] for row, n in zip(usual, numbers, strict=True)) for j in range(width)]
    if sum(n and r for n, r in zip(numeric, real, strict=True)) < 2:
        return 0.0, None
    good = sum(all(n or not d for n, d in zip(row, numeric, strict=True)) for row in numbers)
    return good / len(rows) * (0.5 + 0.5 * sum(numeric) / width), Dialect(delimiter, decimal, width, numeric)


def _refuse_ambiguous_comma(
    lines: list[str], sample: list[str], dialect: Dialect | None, name: str, recipe: Recipe, marks: Sequence[str]
) -> None:
    """Refuse a file in which the comma may be both the delimiter and the decimal mark, with both readings."""
    comma = dialect is None or (dialect.delimiter == "," and dialect.decimal == ".")
    named = dialect is not None and len(recipe.column_names) == dialect.width
    if not comma or named or recipe.decimal or recipe.delimiter:
        return
    rows = [line for line in sample if re.fullmatch(r"[\s\d,+\-eE]*,[\s\d,+\-eE]*", line)]
    if len(rows) < 0.7 * len(sample) or any('"' in row for row in sample):
        return
    for line in lines if dialect is not None else ():
        names = cells_of(_uncomment(line, marks), ",")
        if dialect is not None and len(names) == dialect.width and _known(names):
            return
    row = rows[-1].strip()
    cells = [c.strip() for c in row.strip(",").split(",")]
    half = [f"{a}.{b}" for a, b in zip(cells[::2], cells[1::2], strict=False)] + cells[len(cells) // 2 * 2 :]
    number = max(i for i, text in enumerate(lines, 1) if text.strip() == row)
    raise UnreadableFile(
        f"{name}, line {number}: the comma may stand between cells or be the decimal mark: {shown(row)} "
        f"can be read as "
        f'{len(cells)} numbers ({" | ".join(cells)}) or as {len(half)} ({" | ".join(half)}). Say decimal = "." in a '
        "recipe for the first; for the second export again with another delimiter."
    )


def _first_row(lines: list[str], dialect: Dialect, marks: Sequence[str]) -> int:
    for i, line in enumerate(lines):
        if line.strip() and not _is_comment(line, marks) and _row_width(line, dialect, _MISSING) == dialect.width:
            return i
    return len(lines)


# ---- header


def entries_of(lines: Sequence[tuple[int, str]], delimiter: str, marks: Sequence[str] = ()) -> list[Entry]:
    """The ``key: value``, ``key = value`` and ``key<delimiter>value`` of header lines."""
    found = []
    if len(lines) > 2 * _MOST_HEADER:
        lines = [*lines[:_MOST_HEADER], *lines[-_MOST_HEADER:]]
    for number, line in lines:
        text = _uncomment(line, marks).strip().strip('"').rstrip(";,\t ")
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


def _known(cells: list[str]) -> int:
    meanings = [understand(c).quantity for c in cells]
    return sum(m in QUANTITIES.values() for m in meanings)


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
        text = _uncomment(line, marks)
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
        if _known(cells) or wanted:
            return cells, units, used | {number}
        if fallback is None and not re.match(r"[^:=]{1,80}[:=]\s*\S", text):
            fallback = cells, units, used | {number}
    return fallback


def _above_is_names(
    lines: Sequence[tuple[int, str]], number: int, delimiter: str, width: int, marks: Sequence[str]
) -> bool:
    for above, line in list(lines)[::-1]:
        if above < number and not _RULE.fullmatch(_uncomment(line, marks)):
            cells = _name_cells(_uncomment(line, marks), delimiter, width)
            return cells is not None and (_known(cells) > 0 or not _is_unit_row(cells))
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
    if any(_row_width(line, dialect, _MISSING) for _, line in above[-2:] if not _is_comment(line, marks)):
        return None
    breaks: tuple[int, ...] = ()
    if any(not row.strip() for row in rows):
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
    body = "\n".join(rows)
    if '"' in body:
        cells = [cells_of(row, delimiter) for row in rows if row.strip()]
        body, delimiter = "\n".join("\x1f".join(row) for row in cells), "\x1f"
    if all(dialect.numeric) and ("D" in body or "d" in body):
        body = re.sub(r"(?<=[\d.,])[dD](?=[+-]?\d)", "e", body)
    text = [j for j, numeric in enumerate(dialect.numeric) if not numeric]
    if not text and not recipe.missing and len(body) < _SMALL:
        plain = _plain_numbers(body, delimiter, decimal, dialect.width)
        if plain is not None:
            return plain
    dtypes: Any = {j: object if j in text else float for j in range(dialect.width)} if text else float
    frame = None if text or recipe.missing else _frame(body, delimiter, decimal, dtypes, None)
    if frame is None:
        frame = _frame(body, delimiter, decimal, dtypes, sorted(_missing(recipe)))
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


def _plain_numbers(body: str, delimiter: str, decimal: str, width: int) -> list[np.ndarray] | None:
    """The columns of a small table without missing cells; None if it is not that plain.

    Starting the C engine takes longer than the whole of a small file.
    """
    if "_" in body or (delimiter != " " and (" " in body or not body.isascii())):
        return None
    rows = [line.split() if delimiter == " " else line.split(delimiter) for line in body.split("\n") if line]
    if any(len(row) != width for row in rows):
        return None
    try:
        if decimal == ",":
            rows = [[cell.replace(",", ".") if "." not in cell else "" for cell in row] for row in rows]
        return [np.fromiter(map(float, column), float, len(rows)) for column in zip(*rows, strict=True)]
    except (ValueError, OverflowError):
        return None


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
    missing = _missing(recipe)
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
        if _is_comment(line, marks):
            pending.append((number, line))
            continue
        cells = _row_width(line, dialect, missing)
        if whole and number == last and rows and (cells != width or _odd_one_out(line, rows, dialect)):
            notes.append(f"the last line (line {number}) is cut off and left out: {shown(line.strip())}")
            continue
        if cells and rows and pending:
            starts = column_line(pending, dialect.delimiter, cells, Recipe(), marks)
            bare = [(n, x) for n, x in pending if not _is_comment(x, marks)]
            known = any(key_of(e.key)[0] for e in entries_of(pending, dialect.delimiter, marks))
            if (
                (starts and _known(starts[0]))
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
    bare = [(n, x) for n, x in pending if not _is_comment(x, marks)]
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
            if dialect.numeric[j] and not _is_number(cell, dialect.decimal, missing):
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
            if numeric and not _is_number(cell, dialect.decimal):
                return UnreadableFile(_cell_message(name, number, j, cell, dialect, names[0]))
    todo = f"or say skip_last_lines = {len(lines)} in a recipe" if end else "or mark it as a comment with #"
    count = f"{len(cells)} cells, " if len(cells) > 1 else ""
    return UnreadableFile(
        f"{name}, line {number}: found {count}{shown(line.strip())}, expected a row of {width} numbers. "
        f"Take the line out, {todo}."
    )
