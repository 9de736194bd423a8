"""Where sweeps come from: the order in which they were measured, their days, and the series of those without a tip."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from sts.loaders.path_names import natural_key

BASES = {
    "started": "in order of measurement",
    "file time": "in order of the files' times",
    "date": "by date, then in order of the file names",
    "names": "in order of the file names",
}
_DISTINCT = 0.9  # share of files that must have a time of their own for file times to tell an order
_SHORTEST_GAP = 0.5  # s between files as they were measured; a copy of a folder is quicker
HERE = (
    "this session"  # the day of sweeps imported directly, beside sweeps of other sessions, where nothing else tells it
)
_BREAK = (
    6 * 3600.0
)  # [s] without a sweep, after which a new date is a new day: an evening that goes past midnight is one
_FORMATS = ("ISO8601", "%d.%m.%Y %H:%M:%S", "%d.%m.%Y %H:%M", "%Y/%m/%d %H:%M:%S", "%Y%m%d %H%M%S")


@dataclass(frozen=True, eq=False)
class Order:
    """The order of sweeps, and what it rests on.

    Attributes
    ----------
    names : tuple[str, ...]
        Of the sweeps, from the first measured to the last.
    basis : str
        A key of `BASES`.
    """

    names: tuple[str, ...]
    basis: str

    @property
    def words(self) -> str:
        """For an axis or a note."""
        return BASES[self.basis]

    @property
    def told(self) -> bool:
        """Whether a clock tells the order, so that a trend may be spoken of."""
        return self.basis in ("started", "file time")


def measurement_order(table: pd.DataFrame, sources: pd.DataFrame) -> Order:
    """The order in which sweeps were measured.

    Parameters
    ----------
    table : pandas.DataFrame
        One row per sweep in order of import: `sweep`, `started`, `source`.
    sources : pandas.DataFrame
        The files of a session: `name`, `path`, `modified`.

    Notes
    -----
    By the recorded start where every sweep has one and these differ; else by the times of the files, where these differ as
    those of measurements do (those of a copied folder do not); else by the names, as people count (s2 before s10). Where
    only the day is recorded it comes first, and tells no order within it.
    """
    row_of = {name: i for i, name in enumerate(sources["name"])}
    rows = [row_of.get(source, -1) for source in table["source"]]
    paths = [*(path or name for path, name in zip(sources["path"], sources["name"], strict=True)), ""]
    by_name = [tuple(natural_key(part) for part in paths[i].split("/")) for i in rows]
    started = _times(table["started"])
    modified = pd.to_datetime(sources["modified"].replace("", None), format="ISO8601", errors="coerce", utc=True)
    seconds = np.append(modified.astype("int64").to_numpy() / _per_second(modified), np.nan)
    seconds[:-1][modified.isna().to_numpy()] = np.nan
    nothing = np.zeros(len(table))
    if started is not None and _differ(started, rows):
        basis, first, second = "started", started, nothing
    elif _like_measured(seconds[sorted(set(rows))]):
        basis, first, second = "file time", nothing, seconds[rows]
        if started is not None and _agree(started, second):
            first = started
    else:
        basis = "names" if started is None or np.unique(started).size == 1 else "date"
        first, second = (nothing if started is None else started), nothing
    order = sorted(range(len(table)), key=lambda i: (first[i], second[i], by_name[i], i))
    names = table["sweep"].to_list()
    return Order(tuple(names[i] for i in order), basis)


def _per_second(times: pd.Series) -> float:
    unit = getattr(times.dtype, "unit", "ns")
    return {"s": 1.0, "ms": 1e3, "us": 1e6, "ns": 1e9}[unit]


def _times(started: pd.Series) -> np.ndarray | None:
    """Starts as seconds; None where one is not known or not understood."""
    texts = started.astype(str)
    if not len(texts) or (texts == "").any():
        return None
    for form in _FORMATS:
        found = pd.to_datetime(texts, format=form, errors="coerce", utc=True)
        if not found.isna().any():
            return found.astype("int64").to_numpy() / _per_second(found)
    return None


def _differ(started: np.ndarray, rows: list[int]) -> bool:
    """Whether recorded starts tell the files apart, or the sweeps of the only one."""
    different, files = np.unique(started).size, len(set(rows))
    return different >= _DISTINCT * (files if files > 1 else len(started) / 2) and (different > 1 or len(started) == 1)


def _agree(started: np.ndarray, seconds: np.ndarray) -> bool:
    """Whether the order of files by their times is one that the recorded days allow."""
    return bool((np.diff(started[np.argsort(seconds, kind="stable")]) >= 0).all())


def _like_measured(seconds: np.ndarray) -> bool:
    """Whether the times of files are apart as those of measurements are."""
    if seconds.size < 2 or not np.isfinite(seconds).all():
        return False
    different = np.unique(seconds)
    return different.size >= _DISTINCT * seconds.size and float(np.median(np.diff(different))) >= _SHORTEST_GAP


def series_of(table: pd.DataFrame, sources: pd.DataFrame) -> list[str]:
    """For each sweep without a tip the series it belongs to, by folder and kind of file name; "" for the others.

    Parameters
    ----------
    table : pandas.DataFrame
        One row per sweep, as a session lists them.
    sources : pandas.DataFrame
        One row per file.

    Notes
    -----
    Files of one folder whose names differ by their numbers only (``c_iv_1.dat``, ``c_iv_2.dat``) are a series; so are the
    sweeps of one column where the columns of a file do not agree.
    """
    paths: Mapping[str, str] = dict(zip(sources["name"], sources["path"], strict=True))
    channels = table["channel"] if "channel" in table else [""] * len(table)
    found = []
    for tip, source, channel in zip(table["tip"], table["source"], channels, strict=True):
        if tip and not channel:
            found.append("")
            continue
        path = paths.get(source, "") or source
        path = re.sub(r"\d+", "#", path)
        found.append(f"{path}, {channel}" if channel else path)
    return found


def origins(table: pd.DataFrame, sources: pd.DataFrame) -> list[str]:
    """The session that each sweep came from; "" where its file was imported directly.

    Parameters
    ----------
    table : pandas.DataFrame
        One row per sweep: `source`.
    sources : pandas.DataFrame
        One row per file: `name` and, where sessions were merged, `session`.
    """
    if "session" not in sources:
        return [""] * len(table)
    session: Mapping[str, str] = dict(zip(sources["name"], sources["session"].astype(str), strict=True))
    return [session.get(source, "") for source in table["source"]]


def days(table: pd.DataFrame, sources: pd.DataFrame) -> list[str]:
    """The day on which each sweep was measured; "" where nothing tells one day from another.

    Parameters
    ----------
    table : pandas.DataFrame
        One row per sweep of a session, of both kinds: `started`, `source` and, where a logbook gave one, `day`.
    sources : pandas.DataFrame
        One row per file, in order of import: `name` and, where sessions were merged, `session`.

    Returns
    -------
    list of str
        What the logbook says; else the date of the recorded start; else the session that was merged.

    Notes
    -----
    Told for all sweeps of one session together. A new day begins with a new date after more than six hours without a sweep. Sweeps
    without a day (or start), beside others of their session that have one, are of the day of the sweep before them in order of
    import, or of the first.
    """
    session = np.array(origins(table, sources), object)
    if not len(table):
        return []
    said = table["day"].map(_day_text).to_numpy(object) if "day" in table else np.full(len(table), "", object)
    dated = _dated(table["started"])
    row_of = {name: i for i, name in enumerate(sources["name"])}
    order = np.argsort([row_of.get(source, -1) for source in table["source"]], kind="stable")
    found = np.full(len(table), "", object)
    several = len(set(session)) > 1
    for one in dict.fromkeys(session):
        rows = order[session[order] == one]
        told = next((labels[rows] for labels in (said, dated) if (labels[rows] != "").any()), None)
        if told is not None:
            found[rows] = pd.Series(told).replace("", None).ffill().bfill().to_numpy(object)
        elif several:
            found[rows] = one or HERE
    return [str(day) for day in found]


def _day_text(day: Any) -> str:
    """A day as a logbook's cell gives it: text, or a number, or nothing."""
    if isinstance(day, float):
        return "" if np.isnan(day) else f"{day:g}"
    return "" if day is None else str(day).strip()


def _dated(started: pd.Series) -> np.ndarray:
    """The date of each recorded start by the clock of its place, past midnight that of the evening; "" where none is understood."""
    texts = started.astype(str).str.replace(r"(?<=:\d\d)(\.\d+)?(Z|[+-]\d\d:?\d\d)$", r"\1", regex=True)
    seconds, dates = np.full(len(texts), np.nan), np.full(len(texts), "", object)
    for form in _FORMATS if (texts != "").any() else ():
        times = pd.to_datetime(texts, format=form, errors="coerce", utc=True)
        rows = (times.notna() & np.isnan(seconds)).to_numpy(bool)
        seconds[rows] = times.astype("int64").to_numpy()[rows] / _per_second(times)
        dates[rows] = times.dt.strftime("%Y-%m-%d").to_numpy(object)[rows]
    found = np.full(len(texts), "", object)
    day, last = "", -np.inf
    for row in np.argsort(seconds, kind="stable")[: np.isfinite(seconds).sum()]:
        if not day or (seconds[row] - last > _BREAK and dates[row] != day):
            day = dates[row]
        found[row], last = day, seconds[row]
    return found
