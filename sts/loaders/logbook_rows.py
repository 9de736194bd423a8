"""The rows of a logbook's table: what each cell says, by the head of its column."""

from __future__ import annotations

import csv
import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from sts.loaders.decode import decode
from sts.loaders.loaded import UnreadableFile, library_words, shown
from sts.loaders.patterns import fits
from sts.loaders.readers.workbook import is_workbook, sheets_of
from sts.loaders.signs import SIGN_KEYS
from sts.loaders.values import RMS, in_si, modulation_kind, number_of, set_point_of
from sts.loaders.words import UNKNOWN, among, key_of, own_column, words_of
from sts.sweeps import DIRECTIONS, NUMBER_COLUMNS, TEXT_COLUMNS

_FILE_WORDS, _KINDS = among("logbook", "file"), among("logbook", "kind")
_DITTO = among("values", "ditto")
_NO_LABELS = ("tip bias", *SIGN_KEYS)  # of them the sign of the numbers depends
_PLAIN = {"", *among("beside", "key")}  # in brackets of a head


@dataclass(frozen=True)
class LogRow:
    """One row: what it speaks of and what it says."""

    pattern: str  # file-name pattern, "" if keyed by sweep alone
    sweep: str
    values: dict[str, str | float]
    place: str
    empty: tuple[str, ...] = ()  # columns in which it says nothing

    def speaks_of(self, path: str, above: str = "") -> bool:
        """Whether its pattern fits a file.

        Parameters
        ----------
        path, above : str
            From the imported folder down, and the folders above.
        """
        return fits(path, self.pattern, above=above)


def rows_of(content: bytes) -> tuple[LogRow, ...]:
    """The rows of a CSV file or a workbook.

    Parameters
    ----------
    content : bytes

    Raises
    ------
    UnreadableFile
        If it is no table, has no column `file` or `sweep`, or a cell cannot be used.
    """
    if is_workbook(content):
        return _of_sheets(sheets_of(content))
    try:
        rows, decimal = csv_rows(decode(content)[0])
    except csv.Error as error:
        raise UnreadableFile(f"is no table that can be read ({library_words(error)}). Save it again as CSV.") from None
    return _of_table(rows, decimal)


def _of_sheets(sheets: Mapping[str, list[list[str]]]) -> tuple[LogRow, ...]:
    """The rows of all sheets with a column `file` or `sweep`; a workbook may hold other notes beside."""
    found: list[LogRow] = []
    problems: list[UnreadableFile] = []
    for sheet, rows in sheets.items():
        head = next((row for row in rows if any(row)), [])
        where = f"sheet {shown(sheet)}"
        if len(sheets) > 1 and not any(words_of(cell) in {*_FILE_WORDS, "sweep"} for cell in head):
            problems.append(UnreadableFile("no sheet has a column 'file' or 'sweep'. Add one to the sheet of sweeps."))
            continue
        try:
            found += [
                replace(row, place=f"{where}, {row.place}" if len(sheets) > 1 else row.place)
                for row in _of_table(rows, ".")
            ]
        except UnreadableFile as error:
            raise (error.inside(where) if len(sheets) > 1 else error) from None
    if not found:
        raise problems[0] if problems else UnreadableFile("holds no sheet with cells.")
    return tuple(found)


def _of_table(rows: list[list[str]], decimal: str) -> tuple[LogRow, ...]:
    filled = [(i, row) for i, row in enumerate(rows, 1) if any(cell.strip() for cell in row)]
    if len(filled) < 2:
        raise UnreadableFile("holds no rows; expected a row of column names and rows below it.")
    head = [cell.strip() for cell in filled[0][1]]
    try:
        keys = [_column(cell, [row[j].strip() for _, row in filled[1:] if j < len(row)]) for j, cell in enumerate(head)]
    except UnreadableFile as error:
        raise error.inside(f"line {filled[0][0]}") from None
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


_THOUSAND = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}")  # 1,500: a thousand and a half, or one and a half


def csv_rows(text: str) -> tuple[list[list[str]], str]:
    """The cells of a table as text, with any delimiter, and its decimal mark.

    Parameters
    ----------
    text : str

    Raises
    ------
    csv.Error
        If a quotation mark is left open.
    """
    head = next((line for line in text.split("\n") if line.strip()), "")
    delimiter = max("\t;,|", key=lambda d: (head.count(d), d != ","))
    rows = list(csv.reader(text.splitlines(keepends=True), delimiter=delimiter, skipinitialspace=True, strict=True))
    cells = [cell.strip() for row in rows for cell in row]
    commas = sum(
        "," in c and number_of(c, ",") is not None and "." not in c and not _THOUSAND.fullmatch(c) for c in cells
    )
    return rows, "," if delimiter != "," and commas else "."


def _column(cell: str, cells: Sequence[str] = ()) -> tuple[str, str]:
    """What a column is (of the table, or a word of the user's own) and its unit; `cells` are those below its head."""
    words = words_of(cell)
    if words in _FILE_WORDS:
        return "file", ""
    if (words == "kind" and _KINDS.issuperset(cells)) or (words == "sweeps" and all(c.isdecimal() for c in cells)):
        return "", ""  # of a started logbook
    key, unit, extra = key_of(cell)
    if key in _NO_LABELS:
        raise UnreadableFile(
            f"the column {shown(cell)} turns a sign; say that in a recipe (bias_sign, current_sign, height_sign), not here."
        )
    if key == "modulation_V" and cell.strip() != key:
        return key, f"{unit}|{modulation_kind(f'{cell} {extra}')}"
    if extra not in _PLAIN and key in NUMBER_COLUMNS and not unit:
        return key, extra  # x (kg): as whoever needs the unit will say
    if extra not in _PLAIN or (unit and key in TEXT_COLUMNS):
        key = ""  # tip (material), site (nm): something else about it
    if key == "sweep":
        return key, ""
    if key == "current":
        return "setpoint_current_A", unit
    return key or own_column(words_of(re.sub(r"[()\[\]{}]", " ", cell))), unit


def _own_numbers(keys: list[str], rows: list[list[str]], decimal: str) -> set[str]:
    """The user's own columns that hold nothing but numbers."""
    result = set()
    for j, key in enumerate(keys):
        cells = [row[j].strip() for row in rows if j < len(row) and row[j].strip().lower() not in UNKNOWN]
        numbers = [number_of(c, decimal) for c in cells]
        if cells and all(n is not None and not n[1] for n in numbers):
            result.add(key)
    return result


def _row(
    number: int, row: list[str], head: list[str], keys: list[tuple[str, str]], own: set[str], decimal: str
) -> LogRow:
    line = f"line {number}"
    if any(cell.strip() for cell in row[len(head) :]):
        raise UnreadableFile(
            f"has {len(row)} cells under {len(head)} columns. Put a cell that holds the delimiter into quotation marks, or "
            "give the column a name.",
            place=line,
        )
    values: dict[str, str | float] = {}
    pattern = sweep = ""
    empty: list[str] = []
    for (key, unit), cell, title in zip(keys, row, head, strict=False):
        text, place = unicodedata.normalize("NFC", cell.strip()), f"{line}, column {shown(title)}"
        if text.lower() in _DITTO:
            raise UnreadableFile(f"{shown(text)} stands for the cell above. Fill it in.", place=place)
        if "\n" in text and key in TEXT_COLUMNS:
            raise UnreadableFile(f"{shown(text)} goes over two lines. Is a quotation mark left open?", place=place)
        if key == "file":
            pattern = text
        elif key == "sweep":
            sweep = text
        elif key and text.lower() in UNKNOWN:
            empty.append(key)
        elif key:
            values |= _values(key, unit, text, title, place, own=key in own, decimal=decimal)
    if parts := [str(values.pop(k)) for k in ("date", "time") if k in values]:
        values.setdefault("started", " ".join(parts))
    if not pattern and not sweep and values:
        raise UnreadableFile("names no file and no sweep. Fill in 'file', or '*' for all files.", place=line)
    return LogRow(pattern, sweep, values, line, tuple(empty))


def _values(
    key: str, unit: str, text: str, title: str, place: str, *, own: bool, decimal: str
) -> dict[str, str | float]:
    """What one cell says: column to value."""
    if key == "set point":
        found, wrong = set_point_of(text, unit, decimal)
        if wrong or not found:
            raise UnreadableFile(f"{shown(text)} is no set-point: {wrong or 'no current and no bias'}.", place=place)
        return dict(found)
    if key in NUMBER_COLUMNS:
        return {key: _number(place, key, unit, text, title, decimal)}
    if key == "direction":
        low = text.lower()
        if low not in (*DIRECTIONS["iv"], *DIRECTIONS["iz"]):
            raise UnreadableFile(f"{shown(text)} is no direction; expected up, down, retract or approach.", place=place)
        return {key: low}
    number = (
        number_of(text, decimal) if own and key not in ("sample", "tip", "site", "started", "date", "time") else None
    )
    return {key: number[0] if number else text}


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


def row_for_all(values: Mapping[str, str]) -> LogRow:
    """A row for all files, as if the values stood below their columns.

    Parameters
    ----------
    values : mapping
        Column to text.

    Raises
    ------
    UnreadableFile
        If a column turns a sign, or a value cannot be used.
    """
    head = list(values)
    keys = [_column(cell, [value]) for cell, value in values.items()]
    own = _own_numbers([key for key, _ in keys], [list(values.values())], ".")
    return _row(1, ["*", *values.values()], ["file", *head], [("file", ""), *keys], own, ".")
