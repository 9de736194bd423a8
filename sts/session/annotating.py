"""Changing what is known of sweeps after import, cell by cell in a log, so that it can be taken back."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from sts.session import layout, tables
from sts.session.adding import time_text
from sts.session.change import changing, reading
from sts.session.tables import SessionError
from sts.sweeps import NUMBER_COLUMNS, SAID_BY

KEPT = ("sweep", "source")  # columns by which everything else finds a sweep


def annotate(
    path: str | Path, correct: Callable[[pd.DataFrame, str], pd.DataFrame], *, source: str, now: datetime | None = None
) -> pd.DataFrame:
    """Change the table of the sweeps of a session in one change; currents and original files are not touched.

    Parameters
    ----------
    path : path
        Of the session.
    correct : callable
        Takes the table of a set of sweeps and their kind and returns it corrected: same rows, columns may be new.
    source : str
        Where the corrections come from; kept with each of them.
    now : datetime, optional

    Returns
    -------
    pandas.DataFrame
        What was changed: `number`, `action`, `time`, `sweep`, `column`, `before`, `after`, `source`; one row per cell.

    Raises
    ------
    SessionError
        If the session cannot be used, or a name of a sweep or of its file would change.
    """
    with changing(Path(path)) as change:
        with reading(Path(path)) as file:
            before = {stored.name: stored.table for stored in layout.stored_sets(file)}
            log = tables.read_log(file, "annotations")
        number = int(log["number"].max()) + 1 if len(log) else 1
        about = {"number": number, "action": "annotate", "time": time_text(now), "source": source}
        rows: list[dict[str, Any]] = []
        for name, old in before.items():
            new = correct(old, name[:2])
            cells = _changed_cells(old, new)
            if any(cell["column"] in KEPT for cell in cells):
                raise SessionError(f"{path}: the name of a sweep and that of its file cannot be changed.")
            if cells:
                tables.write_table(change.file()["entry"][name], layout.known_part(new))
                rows += [{**about, **cell} for cell in cells]
        if rows:
            tables.append_log(change.file(), "annotations", rows)
    return _told(rows)


def _told(rows: list[dict[str, Any]]) -> pd.DataFrame:
    """The changes without those of the book-keeping: who said what."""
    changes = pd.DataFrame(rows, columns=list(tables.TABLES["annotations"]))
    return changes[changes["column"] != SAID_BY].reset_index(drop=True)


def take_back(path: str | Path, *, now: datetime | None = None) -> pd.DataFrame:
    """Take the last annotation back that stands; what has been changed again since then stays.

    Parameters
    ----------
    path : path
        Of the session.
    now : datetime, optional

    Returns
    -------
    pandas.DataFrame
        As `annotate` returns it, with the action ``"undo"``.

    Raises
    ------
    SessionError
        If there is none, or the session cannot be used.
    """
    with changing(Path(path)) as change:
        with reading(Path(path)) as file:
            log = tables.read_log(file, "annotations")
        standing = set(log["number"]) - set(log.loc[log["action"] == "undo", "number"])
        if not standing:
            raise SessionError(f"{path}: there is no annotation to take back.")
        number = max(standing)
        last = log[(log["number"] == number) & (log["action"] == "annotate")]
        file = change.file()
        about = {"number": number, "action": "undo", "time": time_text(now)}
        rows = [{**row, **about} for stored in layout.stored_sets(file) for row in _restore(stored, last)]
        tables.append_log(file, "annotations", rows)
    return _told(rows)


def _restore(stored: layout.StoredSet, last: pd.DataFrame) -> list[dict[str, Any]]:
    """Write back what the cells of one set held before; return the rows for the log."""
    table = stored.table
    place = {sweep: i for i, sweep in enumerate(table["sweep"])}
    rows = []
    for column, cells in last[last["sweep"].isin(place)].groupby("column", sort=False):
        column = column if column in table else f"own_{column}"  # as `read_listing` calls it
        texts = _texts(table[column])
        for cell in cells.itertuples():
            if texts[place[cell.sweep]] == cell.after:
                texts[place[cell.sweep]] = cell.before
                rows.append({"sweep": cell.sweep, "column": column, "before": cell.after, "after": cell.before,
                             "source": cell.source})  # fmt: skip
        table[column] = _values(str(column), texts, table[column])
    if rows:
        tables.write_table(stored.group, layout.known_part(table))
    return rows


def _changed_cells(old: pd.DataFrame, new: pd.DataFrame) -> list[dict[str, str]]:
    cells = []
    for column in new.columns:
        after = _texts(new[column])
        before = _texts(old[column]) if column in old else np.full(len(old), "", object)
        cells += [
            {"sweep": old["sweep"].iloc[i], "column": str(column), "before": before[i], "after": after[i]}
            for i in np.flatnonzero(before != after).tolist()
        ]
    return cells


def _texts(values: pd.Series[Any]) -> np.ndarray:
    """Cells as text that reads back the same; unknown is ""."""
    texts = np.empty(len(values), object)
    texts[:] = ["" if v != v or v is None else repr(float(v)) if isinstance(v, float) else str(v) for v in values]
    return texts


def _values(column: str, texts: np.ndarray, before: pd.Series[Any]) -> np.ndarray:
    if column in NUMBER_COLUMNS or not tables.is_text(before):
        return np.array([float(text) if text else np.nan for text in texts])
    return texts
