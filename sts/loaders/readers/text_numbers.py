"""Rows of numbers that are all alike, parsed whole: numpy for small tables, pandas' C engine for the others."""

from __future__ import annotations

import csv
import io
import re
from itertools import repeat
from typing import Any

import numpy as np
import pandas as pd

from sts.loaders.dialect import Dialect, cells_of, missing_marks
from sts.loaders.recipe import Recipe

_SMALL = 200_000  # characters
# Pandas before 3.1 reads the last digit otherwise unless it is asked to; from then on asking is warned of.
_EXACT: Any = {"float_precision": "round_trip"} if tuple(map(int, pd.__version__.split(".")[:2])) < (3, 1) else {}


def parse_rows(rows: list[str], dialect: Dialect, recipe: Recipe) -> list[np.ndarray] | None:
    """The columns of rows that are all alike; None if a row is not.

    Parameters
    ----------
    rows : list of str
    dialect : Dialect
    recipe : Recipe
    """
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
    if delimiter != " ":
        short = body.count(delimiter) != count * (dialect.width - 1)
    else:  # a row that is too short ends with missing cells
        short = bool(frame.isna().any(axis=None)) and any(
            len(row.split()) != dialect.width for row in rows if row.strip()
        )
    if short:
        return None
    if not text:
        return list(np.ascontiguousarray(frame.to_numpy(float).T))
    texts = {j: [str(v).strip() if v == v else "" for v in frame[j]] for j in text}
    return [np.array(texts[j], object) if j in texts else frame[j].to_numpy(float) for j in range(dialect.width)]


def _plain_numbers(rows: list[str], body: str, delimiter: str, decimal: str, width: int) -> list[np.ndarray] | None:
    """The columns of a small table without missing cells; None if it is not that plain.

    pandas' C engine takes longer to start than Python's own float takes for the whole of a small file. That reads a few
    more spellings than are numbers here (1_000, digits of other scripts), so those are looked for.
    """
    if not body.isascii() or "_" in body or (decimal == "," and "." in body):
        return None
    if delimiter != " ":
        if set(map(str.count, rows, repeat(delimiter))) != {width - 1}:
            return None
        if delimiter != "\t":
            body = body.replace(delimiter, " ")
    cells = (body.replace(",", ".") if decimal == "," else body).split()
    if len(cells) != width * len(rows) or (delimiter == " " and any(len(row.split()) != width for row in rows)):
        return None
    try:
        table = np.fromiter(map(float, cells), float, len(cells))
    except ValueError:
        return None
    return list(np.ascontiguousarray(table.reshape(len(rows), width).T))


def _frame(body: str, delimiter: str, decimal: str, dtypes: Any, missing: list[str] | None) -> pd.DataFrame | None:
    """The cells of plain rows by pandas' C engine; None if one does not fit. Without `missing` it is faster."""
    numbers = [j for j, dtype in dtypes.items() if dtype is float] if isinstance(dtypes, dict) else None
    marks: Any = missing if numbers is None or missing is None else dict.fromkeys(numbers, missing)
    try:
        table: pd.DataFrame = pd.read_csv(
            io.BytesIO(body.encode()),  # a text in memory takes four bytes a character
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
            **_EXACT,
        )
    except (ValueError, OverflowError, pd.errors.ParserError):
        return None
    return table
