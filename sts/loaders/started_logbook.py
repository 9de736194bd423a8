"""A logbook to be filled in: a row per file, with what is known of its sweeps."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from sts.loaders.loaded import UnreadableFile
from sts.loaders.values import number_text
from sts.sweeps import COLUMNS, KIND_WORDS, SAID_BY

# Column of the table -> heading, and what to multiply SI with for it.
_HEADINGS: dict[str, tuple[str, float]] = {
    "sample": ("sample", 1), "tip": ("tip", 1), "site": ("site", 1), "direction": ("direction", 1),
    "repeat": ("repeat", 1), "setpoint_current_A": ("set-point current (pA)", 1e12),
    "setpoint_bias_V": ("set-point bias (V)", 1), "bias_V": ("bias (mV)", 1e3), "temperature_K": ("temperature (K)", 1),
    "modulation_V": ("modulation rms (mV)", 1e3), "duration_s": ("duration (s)", 1), "started": ("started", 1),
}  # fmt: skip
_OPTIONAL = ("direction", "repeat", "bias_V", "modulation_V", "duration_s", "started")  # only where something is known


def started_logbook(
    sweeps: pd.DataFrame, sources: pd.DataFrame, decimal: str = "."
) -> tuple[list[str], list[list[str | float]]]:
    """Headings and rows of a started logbook.

    Parameters
    ----------
    sweeps : pandas.DataFrame
        Of a session, with `source`.
    sources : pandas.DataFrame
        Its files: `name`, `path`.
    decimal : str
        The decimal mark of numbers written as text; a point leaves them numbers.

    Notes
    -----
    A cell is empty where nothing is known, and where the sweeps of a file differ: then the logbook has nothing to add.
    """
    own = [c for c in sweeps.columns if c not in (*COLUMNS, "kind", "set", "points", "channel", SAID_BY)]
    columns = [c for c in _HEADINGS if c not in _OPTIONAL or _known(sweeps[c]).any()]
    head = ["file", "kind", "sweeps", *(_HEADINGS[c][0] for c in columns), *own]
    rows: list[list[str | float]] = []
    by_file = dict(tuple(sweeps.groupby("source", sort=False)))
    for name, path in zip(sources["name"], sources["path"], strict=True):
        part = by_file.get(name)
        if part is None:
            continue
        kinds = ", ".join(KIND_WORDS[k] for k in dict.fromkeys(part["kind"]))
        cells = [_common(part[column], _HEADINGS.get(column, ("", 1))[1]) for column in [*columns, *own]]
        row: list[str | float] = [path or name, kinds, float(len(part)), *cells]
        rows.append([_text(cell, decimal) if decimal != "." else cell for cell in row])
    return head, rows


def _known(values: pd.Series) -> np.ndarray:
    return np.array([v == v and v != "" for v in values], bool)


def _common(values: pd.Series, factor: float) -> str | float:
    """The value that all sweeps of a file share; "" if there is none."""
    if not _known(values).all() or values.nunique() != 1:
        return ""
    value = values.iloc[0]
    return float(f"{value * factor:.10g}") if isinstance(value, float) else str(value)


def _text(cell: str | float, decimal: str) -> str:
    return cell if isinstance(cell, str) else number_text(cell).replace(".", decimal)


def write_csv(path: Path, head: Sequence[str], rows: Sequence[Sequence[str | float]], decimal: str) -> None:
    """Write a table as CSV that a spreadsheet opens: with a byte-order mark, and semicolons where the comma is taken.

    Parameters
    ----------
    path : path
    head : sequence of str
    rows : sequence of (str or float)
    decimal : str
        The decimal mark, that decides the delimiter.

    Raises
    ------
    OSError
        If it cannot be written there.
    """
    stream = io.StringIO()
    writer = csv.writer(stream, delimiter=";" if decimal == "," else ",", lineterminator="\r\n")
    writer.writerow(head)
    writer.writerows([[c if isinstance(c, str) else number_text(c) for c in row] for row in rows])
    path.write_bytes(stream.getvalue().encode("utf-8-sig"))


def write_xlsx(path: Path, head: Sequence[str], rows: Sequence[Sequence[str | float]]) -> None:
    """Write a table as a workbook.

    Parameters
    ----------
    path : path
    head : sequence of str
    rows : sequence of (str or float)

    Raises
    ------
    UnreadableFile
        If the extra is not installed.
    """
    try:
        from openpyxl import Workbook
    except ImportError:
        raise UnreadableFile(
            "workbooks need the package openpyxl (the extra 'excel'). Install it, or give a name ending in .csv.",
            place=path.name,
        ) from None
    book = Workbook()
    sheet = book.active
    sheet.title = "logbook"
    sheet.append(list(head))
    for row in rows:
        sheet.append([None] * len(row))
        for cell, value in zip(sheet[sheet.max_row], row, strict=True):
            if value != "":
                cell.value = value
                cell.data_type = "s" if isinstance(value, str) else "n"  # a name is never a formula
    sheet.freeze_panes = "B2"
    for i, name in enumerate(head, 1):
        sheet.column_dimensions[sheet.cell(1, i).column_letter].width = max(12, min(40, len(name) + 4))
    sheet.column_dimensions["A"].width = 44
    book.save(path)
