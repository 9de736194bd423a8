"""Tables as text that is the same for the same input, and that no spreadsheet runs as a formula."""

from __future__ import annotations

import csv
import io
import json
import math
from typing import Any

import numpy as np
import pandas as pd

from sts.session import inert

DIGITS = ".10g"


def csv_text(frame: pd.DataFrame, *, decimal: str = "point") -> str:
    r"""A table as CSV: comma, point, ``\n``, ten significant digits, true/false, unknown empty.

    Parameters
    ----------
    frame : pandas.DataFrame
    decimal : str
        ``"comma"`` writes semicolons and a decimal comma in columns of fractions, as spreadsheets of many countries read them.
    """
    text, comma = io.StringIO(), decimal == "comma"
    writer = csv.writer(text, delimiter=";" if comma else ",", lineterminator="\n")
    writer.writerow([inert(str(c)) for c in frame.columns])
    columns = [_cells(frame[column]) for column in frame.columns]
    if comma:
        fractions = [frame[column].dtype == np.float64 for column in frame.columns]
        columns = [[c.replace(".", ",") for c in cells] if fraction else cells
                   for cells, fraction in zip(columns, fractions, strict=True)]  # fmt: skip
    writer.writerows(zip(*columns, strict=True))
    return text.getvalue()


def _cells(column: pd.Series[Any]) -> list[str]:
    if column.dtype == np.float64:
        return ["" if value != value else format(value, DIGITS) for value in column.tolist()]
    values = column.tolist()
    if len(kinds := set(map(type, values))) == 1 and kinds <= {str, int}:
        known = {value: _cell(value) for value in set(values)}  # names and numbers of panels repeat
        return [known[value] for value in values]
    return [_cell(value) for value in values]


def _cell(value: Any) -> str:
    if isinstance(value, (bool, np.bool_)):
        return "true" if value else "false"
    if isinstance(value, (int, np.integer)):
        return str(int(value))
    if isinstance(value, (float, np.floating)):
        return "" if math.isnan(value) else format(float(value), DIGITS)
    return "" if value is None or value is pd.NA else inert(str(value))


def plain(value: Any) -> Any:
    """Any result as what JSON knows: numbers to ten digits, unknown as null, tables as lists of rows.

    Parameters
    ----------
    value : object
        Tables, arrays, mappings, numbers, text.
    """
    if isinstance(value, pd.DataFrame):
        return [{str(k): plain(v) for k, v in row.items()} for row in value.to_dict(orient="records")]
    if isinstance(value, dict):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple, np.ndarray)):
        return [plain(v) for v in value]
    if isinstance(value, (bool, np.bool_)):
        return bool(value)
    if isinstance(value, (int, np.integer)):
        return int(value)
    if isinstance(value, (float, np.floating)):
        return float(format(float(value), DIGITS)) if math.isfinite(value) else None
    return None if value is None or value is pd.NA else str(value)


def as_bytes(text: str) -> bytes:
    """Text as UTF-8; bytes of a path that are none, such as 0xff, as ``\\udcff``, which JSON reads back.

    Parameters
    ----------
    text : str
    """
    return text.encode(errors="backslashreplace")


def json_text(value: Any) -> str:
    """JSON with sorted keys.

    Parameters
    ----------
    value : object
        Tables, arrays, mappings, numbers, text.
    """
    return json.dumps(plain(value), indent=1, sort_keys=True, ensure_ascii=False) + "\n"
