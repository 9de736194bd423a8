"""The logbook: a table, keyed by file-name pattern or sweep, that fills in what the files do not say."""

from __future__ import annotations

import csv
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from sts.loaders.decode import decode
from sts.loaders.labels import Columns, Disagreement, Statement, fill
from sts.loaders.loaded import LoadedFile, UnreadableFile, shown
from sts.loaders.logbook_patterns import compiled, fits, plain
from sts.loaders.metadata import RMS, in_si, modulation_kind, number_of
from sts.loaders.readers.workbook import is_workbook, sheets_of
from sts.loaders.reading import bytes_of
from sts.loaders.words import key_of, words_of
from sts.sweeps import NUMBER_COLUMNS

_FILE_WORDS = {"file", "files", "file name", "filename", "file pattern", "pattern", "source"}
_IGNORED = {"kind", "sweeps", "set", "points", "channel"}  # what a started logbook says for the reader's sake
STATED = "--set"  # what messages call values that were stated for all files
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

    def speaks_of(self, row: LogRow, path: str, above: str = "") -> bool:
        """Whether a row speaks of a file."""
        return fits(path, row.pattern, above=above)

    def reach(self, paths: Iterable[tuple[str, str]]) -> tuple[list[str], list[str]]:
        """The rows with a pattern that fits none of these files, and those that fit all of two or more.

        Parameters
        ----------
        paths : iterable of (str, str)
            Of each file: path from the imported folder down, folders above.
        """
        known = list(paths)
        counts = [(row, sum(self.speaks_of(row, *path) for path in known)) for row in self.rows if row.pattern]
        none = [f"{row.place}, '{row.pattern}'" for row, count in counts if not count]
        every = [f"{row.place}, '{row.pattern}'" for row, count in counts if count == len(known) > 1]
        return none, every


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


def stated(values: Mapping[str, str]) -> Logbook:
    """A logbook of one row for all files, from column to text such as ``tip`` to ``heron``.

    Raises
    ------
    UnreadableFile
        If a column turns a sign, or a value cannot be used.
    """
    head = list(values)
    keys = [_column(cell) for cell in head]
    own = _own_numbers([key for key, _ in keys], [list(values.values())], ".")
    row = _row(1, ["*", *values.values()], ["file", *head], [("file", ""), *keys], own, ".")
    return Logbook(STATED, (replace(row, place="on the command line"),))


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
    if words in _IGNORED:
        return "", ""
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
            pattern = text
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


# ---- applied


def statements_of(logbook: Logbook, columns: Columns, paths: Mapping[str, tuple[str, str]]) -> list[Statement]:
    """What the rows of a logbook say of the sweeps of a table (m rows).

    Parameters
    ----------
    columns : mapping
        Of the table, with `sweep` and `source`.
    paths : mapping
        Name of the file as in `source` -> (path from the imported folder down, folders above).
    """
    rows_of: dict[str, list[int]] = {}
    for i, source in enumerate(columns["source"]):
        rows_of.setdefault(str(source), []).append(i)
    by_sweep = any(row.sweep for row in logbook.rows)
    names = [plain(str(n)) for n in columns["sweep"]] if by_sweep else []
    statements = []
    for row in logbook.rows:
        if not row.values:
            continue
        files = [f for f in rows_of if not row.pattern or logbook.speaks_of(row, *paths.get(f, (f, "")))]
        rows = [i for f in files for i in rows_of[f]]
        if row.sweep:
            rows = [i for i in rows if compiled(plain(row.sweep)).fullmatch(names[i])]
        if rows:
            statements.append(Statement(rows, row.values, logbook.name, row.place))
    return statements


def apply_logbook(
    file: LoadedFile, logbook: Logbook, *, prefer_logbook: bool = False
) -> tuple[LoadedFile, list[Disagreement]]:
    """Fill in what a file does not say.

    Parameters
    ----------
    file : LoadedFile
    logbook : Logbook
    prefer_logbook : bool
        Where header and logbook disagree: take the logbook's word (else the header's).

    Returns
    -------
    LoadedFile, list of Disagreement
        The file with its tables filled in, and a sentence for each disagreement.

    Notes
    -----
    Rows are taken from top to bottom: what an earlier row has filled in, a later one does not change; if they
    disagree, that is reported too.
    """
    conflicts: list[Disagreement] = []
    sets = []
    for part in file.sets:
        said = statements_of(logbook, part.columns, {file.name: (file.path, file.above)})
        table, disagree = fill(part.columns, said, prefer=prefer_logbook)
        conflicts += disagree
        sets.append(replace(part, table=table))
    return replace(file, sets=tuple(sets)), conflicts
