"""The logbook: a table, keyed by file-name pattern or sweep, that fills in what the files do not say."""

from __future__ import annotations

import csv
import fnmatch
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from sts.loaders.decode import decode
from sts.loaders.loaded import LoadedFile, UnreadableFile, shown
from sts.loaders.metadata import RMS, in_si, modulation_kind, number_of
from sts.loaders.readers.workbook import is_workbook, sheets_of
from sts.loaders.reading import bytes_of
from sts.loaders.words import key_of, words_of
from sts.sweeps import NUMBER_COLUMNS

_FILE_WORDS = {"file", "files", "file name", "filename", "file pattern", "pattern", "source"}
_EMPTY = {"", "nan", "n/a", "na", "-", "--", "?", "unknown"}


@dataclass(frozen=True)
class LogRow:
    """One row: what it speaks of and what it says."""

    pattern: str  # file-name pattern, "" if keyed by sweep alone
    sweep: str
    values: dict[str, str | float]
    place: str


@dataclass(frozen=True)
class Logbook:
    """The rows of a logbook, in order."""

    name: str
    rows: tuple[LogRow, ...]

    def about(self, file: str) -> list[LogRow]:
        """The rows that speak of a file."""
        return [row for row in self.rows if not row.pattern or _fits(_plain(file), row.pattern)]

    def unmatched(self, names: Iterable[str]) -> list[str]:
        """The file patterns that fit none of these file names."""
        known = [_plain(n) for n in names]
        return [r.pattern for r in self.rows if r.pattern and not any(_fits(n, r.pattern) for n in known)]


def read_logbook(path: str | Path) -> Logbook:
    """Read a logbook from CSV (any delimiter and encoding) or XLSX.

    The first row names the columns: `file` (a name or a pattern with ``*`` and ``?``) and/or `sweep`, and any of the
    table's (``tip``, ``site``, ``set-point current (pA)``, ...). Other columns are kept as columns of the user's own.

    Raises
    ------
    UnreadableFile
        If it is no table, has no column `file` or `sweep`, or a cell cannot be used; the text names row and column.
    """
    path = Path(path)
    content = bytes_of(path)
    try:
        return Logbook(path.name, _rows(content))
    except UnreadableFile as error:
        raise error.inside(path.name) from None


def _rows(content: bytes) -> tuple[LogRow, ...]:
    decimal = "."
    if is_workbook(content):
        rows = next(iter(sheets_of(content).values()))
    else:
        try:
            rows, decimal = _csv_rows(decode(content)[0])
        except csv.Error as error:
            raise UnreadableFile(f"is no table that can be read ({error}). Save it again as CSV.") from None
    filled = [(i, row) for i, row in enumerate(rows, 1) if any(cell.strip() for cell in row)]
    if len(filled) < 2:
        raise UnreadableFile("holds no rows; expected a row of column names and rows below it.")
    head = [cell.strip() for cell in filled[0][1]]
    keys = [_column(cell) for cell in head]
    if not {"file", "sweep"} & {key for key, _ in keys}:
        raise UnreadableFile(
            f"no column 'file' or 'sweep' among {', '.join(shown(h) for h in head[:8])}. Add one that says which files "
            "(a name or a pattern such as heron_*.txt) each row speaks of.",
            place=f"line {filled[0][0]}",
        )
    twice = [k for i, (k, _) in enumerate(keys) if k and k in [key for key, _ in keys[:i]]]
    if twice:
        raise UnreadableFile(f"two columns hold '{twice[0]}'. Keep one of them.")
    own_numbers = _own_numbers([key for key, _ in keys], [row for _, row in filled[1:]], decimal)
    return tuple(_row(i, row, head, keys, own_numbers, decimal) for i, row in filled[1:])


def _csv_rows(text: str) -> tuple[list[list[str]], str]:
    head = next((line for line in text.split("\n") if line.strip()), "")
    delimiter = max("\t;,|", key=lambda d: (head.count(d), d != ","))
    rows = list(csv.reader(text.split("\n"), delimiter=delimiter, skipinitialspace=True))
    cells = [cell.strip() for row in rows for cell in row]
    commas = sum("," in c and number_of(c, ",") is not None and "." not in c for c in cells)
    return rows, "," if delimiter != "," and commas else "."


def _column(cell: str) -> tuple[str, str]:
    """What a column is (of the table, or a word of the user's own) and its unit."""
    words = words_of(cell)
    if words in _FILE_WORDS:
        return "file", ""
    key, unit, extra = key_of(cell)
    if key in ("date", "time"):
        return "started", ""
    if key == "current":
        return "setpoint_current_A", unit
    if key in ("tip bias", "bias applied to", "current polarity", "bias polarity"):
        raise UnreadableFile(f"the column {shown(cell)} turns a sign; say that in a recipe, not in a logbook.")
    if key == "modulation_V" and cell.strip() != key:
        return key, f"{unit}|{modulation_kind(f'{cell} {extra}')}"
    own = words.replace(" ", "_")
    return key or ("".join(c for c in own if c.isalnum() or c == "_") if own else ""), unit


def _own_numbers(keys: list[str], rows: list[list[str]], decimal: str) -> set[str]:
    """The user's own columns that hold nothing but numbers."""
    result = set()
    for j, key in enumerate(keys):
        cells = [row[j].strip() for row in rows if j < len(row) and row[j].strip().lower() not in _EMPTY]
        numbers = [number_of(c, decimal) for c in cells]
        if cells and all(n is not None and not n[1] for n in numbers):
            result.add(key)
    return result


def _row(
    number: int, row: list[str], head: list[str], keys: list[tuple[str, str]], own: set[str], decimal: str
) -> LogRow:
    values: dict[str, str | float] = {}
    pattern = sweep = ""
    for (key, unit), cell, title in zip(keys, row, head, strict=False):
        text = unicodedata.normalize("NFC", cell.strip())
        if key == "file":
            pattern = text.replace("\\", "/").rsplit("/", 1)[-1]
        elif key == "sweep":
            sweep = text
        elif not key or text.lower() in _EMPTY:
            continue
        elif key in NUMBER_COLUMNS:
            values[key] = _number(f"line {number}, column {shown(title)}", key, unit, text, title, decimal)
        elif key in own and key not in ("sample", "tip", "site", "direction", "started"):
            found = number_of(text, decimal)
            values[key] = found[0] if found else text
        else:
            values[key] = text
    if not pattern and not sweep and values:
        raise UnreadableFile(
            "names no file and no sweep. Fill in 'file', or '*' for all files.", place=f"line {number}"
        )
    return LogRow(pattern, sweep, values, f"line {number}")


def _number(place: str, key: str, unit: str, text: str, title: str, decimal: str) -> float:
    unit, _, said = unit.partition("|")
    factor = 1.0
    if key == "modulation_V" and title.strip() != key:
        said = said or modulation_kind(text)
        if not said:
            raise UnreadableFile(
                f"{shown(text)} does not say rms or peak. Name the column 'modulation rms (mV)' or 'modulation peak (mV)'.",
                place=place,
            )
        factor = RMS[said]
    value, why = in_si(key, text, unit, decimal)
    if value is None:
        raise UnreadableFile(
            f"{shown(text)} {why}. Correct the cell, or put the unit into the column's name, e.g. "
            f"'{title.split('(')[0].strip()} (unit)'.",
            place=place,
        )
    return float(value * factor)


def _plain(name: str) -> str:
    return unicodedata.normalize("NFC", name).casefold()


def _fits(name: str, pattern: str) -> bool:
    """Whether a file name (as `_plain` gives it) fits a pattern; only ``*`` and ``?`` are special."""
    return fnmatch.fnmatchcase(name, _plain(pattern).replace("[", "[[]"))


def apply_logbook(file: LoadedFile, logbook: Logbook, *, prefer_logbook: bool = False) -> tuple[LoadedFile, list[str]]:
    """Fill in what a file does not say.

    Parameters
    ----------
    file : LoadedFile
    logbook : Logbook
    prefer_logbook : bool
        Where header and logbook disagree: take the logbook's word (else the header's).

    Returns
    -------
    LoadedFile, list of str
        The file with its tables filled in, and a sentence for each disagreement.

    Notes
    -----
    Rows are taken from top to bottom: what an earlier row has filled in, a later one does not change; if they
    disagree, that is reported too.
    """
    rows = logbook.about(file.name)
    conflicts: list[str] = []
    sets = tuple(
        replace(s, table=_filled_in(s.table, rows, file.name, logbook.name, prefer_logbook, "the header", conflicts))
        for s in file.sets
    )
    return replace(file, sets=sets), conflicts


def correct_table(
    table: pd.DataFrame, logbook: Logbook, *, prefer_logbook: bool = False
) -> tuple[pd.DataFrame, list[str]]:
    """As `apply_logbook`, for sweeps that are in a session: their `table` says which file each came from."""
    conflicts: list[str] = []
    parts = []
    for file, part in table.groupby("source", sort=False):
        rows = logbook.about(str(file))
        filled = _filled_in(
            part.reset_index(drop=True), rows, str(file), logbook.name, prefer_logbook, "the session", conflicts
        )
        parts.append(filled.set_index(part.index))
    joined = pd.concat(parts).sort_index()
    for column in set(joined.columns) - set(table.columns):
        if joined[column].dtype == object:
            joined[column] = joined[column].where(joined[column].notna(), "")
    return joined, conflicts


def _filled_in(
    table: pd.DataFrame, rows: list[LogRow], file: str, logbook: str, prefer: bool, said_by: str, conflicts: list[str]
) -> pd.DataFrame:
    columns: dict[str, Any] = {}
    filled_by: dict[str, np.ndarray] = {}  # column -> which row filled each sweep in
    for position, row in enumerate(rows, 1):
        chosen = np.array([not row.sweep or _fits(_plain(n), row.sweep) for n in table["sweep"]], bool)
        if not chosen.any():
            continue
        for key, value in row.values.items():
            number = isinstance(value, float)
            if key not in columns:
                start = table[key] if key in table else pd.Series([np.nan if number else ""] * len(table))
                columns[key] = start.to_numpy(float if number and key in NUMBER_COLUMNS else object).copy()
            column = columns[key]
            by = filled_by.setdefault(key, np.zeros(len(table), int))
            known = np.array([v == v and v != "" for v in column], bool)
            same = np.array([_same(v, value) for v in column], bool)
            clash = chosen & known & ~same
            for place in _first_of_each(column, clash):
                who = f"{logbook}, {rows[by[place] - 1].place}," if by[place] else said_by
                wins = prefer and not by[place]
                conflicts.append(
                    f"{file}: {who} says {key} is {_said(column[place])}, {logbook}, {row.place}, says "
                    f"{_said(value)}; "
                    f"{'the logbook' if wins else who.rstrip(',')} was taken."
                )
            take = chosen & (~known | (clash & (by == 0) & prefer))
            column[take] = value
            by[take] = position
    if not columns:
        return table
    frame = {c: columns.get(c, table[c].to_numpy()) for c in table.columns}
    for key, column in columns.items():
        numeric = all(isinstance(v, float) for v in column)
        frame[key] = column.astype(float) if numeric else pd.Series(list(column), dtype=object)
    return pd.DataFrame(frame, index=range(len(table)))


def _first_of_each(column: np.ndarray, mask: np.ndarray) -> list[int]:
    """The first place of each different value under a mask: one sentence, not one a sweep."""
    first: dict[str, int] = {}
    for place in np.flatnonzero(mask).tolist():
        first.setdefault(str(column[place]), place)
    return list(first.values())


def _same(known: Any, value: str | float) -> bool:
    if isinstance(value, float):
        return isinstance(known, float) and bool(np.isclose(known, value, rtol=1e-6, atol=0))
    return str(known).strip().casefold() == value.strip().casefold()


def _said(value: Any) -> str:
    return f"{value:.6g}" if isinstance(value, float) else shown(str(value))
