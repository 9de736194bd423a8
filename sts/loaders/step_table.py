"""A table of steps of known height, as measured on several places and days: CSV or XLSX in, one row per step out."""

from __future__ import annotations

import csv
import re
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from sts.loaders.decode import decode
from sts.loaders.loaded import UnreadableFile, library_words, shown
from sts.loaders.logbook_rows import csv_rows
from sts.loaders.readers.workbook import is_workbook, sheets_of
from sts.loaders.reading import bytes_of
from sts.loaders.values import in_si, number_of
from sts.quantities import find_unit

COLUMNS = ("place", "day", "measured_nm", "known", "known_nm", "direction", "temperature_K")
_HEADS = {  # what a column may be called, but for its unit
    "place": "place", "site": "place", "day": "day", "date": "day", "measured": "measured", "height": "measured",
    "known": "known", "step": "known", "direction": "direction", "temperature": "temperature",
    "piezo temperature": "temperature",
}  # fmt: skip
_UP_OR_DOWN = {"up": "up", "down": "down", "": ""}


def read_steps(path: str | Path) -> pd.DataFrame:
    r"""Read steps that were measured.

    Parameters
    ----------
    path : path
        CSV with any delimiter, or the first sheet of an XLSX file. Columns: `measured` with its unit in the head or the cell;
        and, where it is known, `place`, `day`, `known` (the step by name, such as ``au111``, or its height), `direction` (``up``
        or ``down``: which way the tip was moved over the step), `temperature` (of the piezo, K or °C).

    Returns
    -------
    pandas.DataFrame
        `COLUMNS`, one row per step, heights in nm; "" or NaN for what is not said.

    Raises
    ------
    UnreadableFile
        If there is no column `measured`, or a cell cannot be used; the text names row and column.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> path = Path(tempfile.mkdtemp()) / "steps.csv"
    >>> _ = path.write_text("place,day,measured (nm)\nA,2026-11-02,0.242\nB,2026-11-02,0.239\n")
    >>> read_steps(path)["measured_nm"].tolist()
    [0.242, 0.239]
    """
    path = Path(path)
    content = bytes_of(path)
    try:
        if is_workbook(content):
            return _of_rows(next(iter(sheets_of(content).values()), []), ".")
        return _of_rows(*csv_rows(decode(content)[0]))
    except csv.Error as error:
        raise UnreadableFile(
            f"{path.name}: is no table that can be read ({library_words(error)}). Save it again as CSV."
        ) from None
    except UnreadableFile as error:
        raise error.inside(path.name) from None


def _of_rows(rows: Sequence[Sequence[str]], decimal: str) -> pd.DataFrame:
    filled = [(i, [cell.strip() for cell in row]) for i, row in enumerate(rows, 1) if any(cell.strip() for cell in row)]
    if len(filled) < 2:
        raise UnreadableFile("holds no steps; expected a row of column names and one row per step below it.")
    heads = [_head(cell) for cell in filled[0][1]]
    names = [name for name, _ in heads]
    if "measured" not in names:
        raise UnreadableFile(
            f"no column 'measured' among {', '.join(shown(cell) for cell in filled[0][1][:8])}. Name the column of the heights "
            "'measured (nm)'.",
            place=f"line {filled[0][0]}",
        )
    if twice := next((name for i, name in enumerate(names) if name and name in names[:i]), ""):
        raise UnreadableFile(f"two columns hold '{twice}'. Keep one of them.")
    return pd.DataFrame([_row(heads, cells, f"line {i}", decimal) for i, cells in filled[1:]], columns=list(COLUMNS))


def _head(cell: str) -> tuple[str, str]:
    """What a column holds ("" for what is not asked for) and its unit."""
    match = re.fullmatch(r"(.*?)\s*(?:[(\[](.*?)[)\]])?", cell, re.DOTALL)
    words, unit = (match[1], match[2] or "") if match else (cell, "")
    return _HEADS.get(re.sub(r"[\s_]+", " ", words.strip().lower()), ""), unit.strip()


def _row(
    heads: Sequence[tuple[str, str]], cells: Sequence[str], line: str, decimal: str
) -> tuple[str, str, float, str, float, str, float]:
    said = {name: (text, unit) for (name, unit), text in zip(heads, cells, strict=False) if name}
    text = {name: said.get(name, ("", ""))[0] for name in ("place", "day", "known", "direction")}
    measured = _length(*said.get("measured", ("", "")), f"{line}, column 'measured'", decimal)
    by_name = number_of(text["known"], decimal) is None
    known = np.nan if by_name else _length(*said["known"], f"{line}, column 'known'", decimal)
    direction = text["direction"].lower()
    if direction not in _UP_OR_DOWN:
        raise UnreadableFile(
            f"{shown(text['direction'])} is no direction; expected up or down.", place=f"{line}, column 'direction'"
        )
    kelvin, unit = said.get("temperature", ("", ""))
    temperature, why = in_si("temperature_K", kelvin, unit, decimal) if kelvin else (np.nan, "")
    if temperature is None:
        raise UnreadableFile(f"{shown(kelvin)} {why}.", place=f"{line}, column 'temperature'")
    return text["place"], text["day"], measured, text["known"] if by_name else "", known, direction, temperature


def _length(text: str, unit: str, place: str, decimal: str) -> float:
    """A height [nm]."""
    number = number_of(text, decimal)
    if number is None:
        raise UnreadableFile(f"{shown(text)} is not a number that can be read without doubt.", place=place)
    value, tail = number
    written = tail or unit
    found = find_unit(written, expected="length")
    if written == "A" or found is None or found.dimension != "length":
        raise UnreadableFile(
            f"the height {shown(text)} has {'the unit ' + shown(written) if written else 'no unit'}; expected nm, pm or Å, in the "
            "name of the column or in the cell.",
            place=place,
        )
    return value * found.factor * 1e9
