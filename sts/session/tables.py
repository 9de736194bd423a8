"""Arrays and tables in an open HDF5 file: checksums, columns of text, logs that only grow."""

from __future__ import annotations

import zlib
from collections.abc import Collection
from typing import Any

import h5py
import numpy as np
import pandas as pd

from sts.session.seals import SealedFile, is_inside
from sts.sweeps import NUMBER_COLUMNS

SMALL_COLUMN = 16 << 10  # [bytes] below, compression costs more than it saves
LONGEST_FIXED_TEXT = 512  # [bytes] longer texts get room of their own, not the same room in every row
TEXT = h5py.string_dtype("utf-8")
UNITS = {column: column.rpartition("_")[2] for column in NUMBER_COLUMNS if column != "repeat"}
SOURCE = "source_index"  # (m,) row of the sweep's file in /entry/sources
PLACE = "source_row"  # (m,) which sweep of that file it is, from 0
KEYS = "sweep_keys"  # (m, 2) by which a copy of a sweep is found
RESERVED = {"sweep", "bias", "height", "current", "lockin", SOURCE, PLACE, KEYS}
TABLES: dict[str, dict[str, type]] = {
    "sources": {
        "name": str, "sha256": str, "size": int, "reader": str, "recipe": str, "imported": str, "sweeps": int,
        "notes": str, "offset": int, "path": str, "above": str, "modified": str, "session": str,
    },
    "decisions": {"time": str, "sweep": str, "action": str, "why": str, "by": str},
    "looked": {"time": str, "sweep": str},
    "calibrations": {
        "kind": str, "factor": float, "factor_se": float, "measured": float, "known": float, "source": str,
        "time": str, "session": str, "dof": float, "temperature_K": float,
    },
    "annotations": {
        "number": int, "action": str, "time": str, "sweep": str, "column": str, "before": str, "after": str,
        "source": str,
    },
}  # fmt: skip
ABSENT = np.array([0x7FF8_5354_5341_4253], np.uint64).view(float)[
    0
]  # a NaN that nobody computes: a block that cannot be found
RESCUE = " 'sts rescue SESSION.h5 --out NEW.h5' saves what can still be read."


class SessionError(ValueError):
    """A session that cannot be used as asked; the text is one line with what to do.

    Examples
    --------
    >>> sts.Session.open("session.h5")
    Traceback (most recent call last):
        ...
    sts.session.tables.SessionError: session.h5: there is no such session. 'sts import FILES --into session.h5' makes one.
    """


class NotWritten(SessionError):
    """A change that could not be written now (session locked, disk full, folder not to be written): nothing was changed, and
    the same change may be tried again."""


# --- arrays ----------------------------------------------------------------------------------------------------------


def part_of(file: h5py.File, name: str) -> h5py.Group:
    """A group under ``/entry``, as it was written; links are refused.

    Parameters
    ----------
    file : h5py.File
    name : str
        Of the group, such as ``"sources"``.

    Raises
    ------
    SessionError
        If the group or something in it is a link, or if it is not as its checksums say (of a `SealedFile`).
    """
    entry = file["entry"]
    for group, member in [(entry, name), *((entry[name], inside) for inside in entry[name])] if name in entry else ():
        if not is_inside(group, member):
            raise SessionError(
                f"{file.filename}: '{member}' points to something elsewhere, which nothing in a session does."
            )
    check(file, name)
    return entry[name]


def check(file: h5py.File, name: str = "") -> None:
    """Hold a part of a file that is read against its checksums.

    Parameters
    ----------
    file : h5py.File
        Only a `SealedFile` is looked at.
    name : str
        Of the group under ``/entry``; "": the frame of the file.

    Raises
    ------
    SessionError
        If something in it is not as it was written.
    """
    altered = file.altered(name) if isinstance(file, SealedFile) else []
    if altered:
        raise SessionError(
            f"{file.filename}: is damaged, or was changed by another program ({altered[0]} is not as it was written).{RESCUE}"
        )


def read_array(data: h5py.Dataset, selection: Any = ...) -> np.ndarray:
    """Numbers of a dataset, if the file really holds what it claims to.

    Parameters
    ----------
    data : h5py.Dataset
    selection : index
        All of it if not given; then its checksum is looked at as well.

    Raises
    ------
    SessionError
        If the dataset lies outside the file, or claims more than the bytes stored could hold.
    """
    if data.is_virtual or data.external:
        raise SessionError(f"{data.file.filename}: {data.name} points out of the file, which no session does.")
    if data.nbytes > 1100 * data.id.get_storage_size() + (1 << 16):  # deflate gains a factor of 1032 at most
        raise SessionError(
            f"{data.file.filename}: {data.name} claims {data.nbytes} bytes, but only {data.id.get_storage_size()} are "
            "stored; the file is damaged or not what it says."
        )
    values = np.asarray(data[selection])
    checksum = data.attrs.get("crc32")
    if selection is ... and checksum is not None and checksum != _crc32(values):
        raise SessionError(f"{data.file.filename}: is damaged ({data.name} does not have its checksum).{RESCUE}")
    if values.dtype == float and np.isnan(data.fillvalue) and (values.view(np.uint64) == ABSENT.view(np.uint64)).any():
        raise SessionError(f"{data.file.filename}: is damaged (a block of {data.name} is not found).{RESCUE}")
    return values


def _crc32(values: np.ndarray) -> int:
    return zlib.crc32(b"\0".join(values.tolist()) if values.dtype.hasobject else values.tobytes())


def write_array(group: h5py.Group, name: str, values: np.ndarray, *, units: str = "") -> None:
    """Store an array whole, with its unit and a checksum; long ones deflated.

    Parameters
    ----------
    group : h5py.Group
        Where; it must not have such an array yet.
    name, units : str
    values : ndarray, any shape
    """
    deflated: dict[str, Any] = {"compression": "gzip", "compression_opts": 1, "shuffle": True}
    how = deflated if values.nbytes > SMALL_COLUMN else {}
    data = group.create_dataset(name, data=values, **how)
    data.attrs["units"] = units
    data.attrs["crc32"] = _crc32(values)


# --- tables ----------------------------------------------------------------------------------------------------------


def read_table(group: h5py.Group, only: Collection[str] | None = None) -> pd.DataFrame:
    """The table of a group, in the order of its columns; none for a group without.

    Parameters
    ----------
    group : h5py.Group
    only : collection of str, optional
        Columns that are read; all if not given.
    """
    names = zip(group.attrs.get("columns", ()), group.attrs.get("datasets", ()), strict=True)
    return pd.DataFrame(
        {str(column): read_column(group[name]) for column, name in names if only is None or column in only}
    )


def read_column(data: h5py.Dataset) -> Any:
    """A column of a table: an array of numbers, or a Series of texts.

    Parameters
    ----------
    data : h5py.Dataset

    Raises
    ------
    SessionError
        As `read_array`.
    """
    text = h5py.check_string_dtype(data.dtype)
    values = read_array(data)
    if text is None:
        return values
    return pd.Series([value.decode("utf-8") for value in values.tolist()], dtype=object)


def write_table(group: h5py.Group, table: pd.DataFrame) -> None:
    """Write a table as one dataset per column, in place of what the group had.

    Parameters
    ----------
    group : h5py.Group
    table : pandas.DataFrame
    """
    for name in group.attrs.get("datasets", ()):
        del group[name]
    names: list[str] = []
    for column in table.columns:
        name = "name" if column == "sweep" else str(column)
        if name in RESERVED or name in names or name in (".", "") or "/" in name or "\0" in name:
            name = f"column_{len(names) + 1}"  # a name of the user's that cannot be one in the file
        names.append(name)
        _write_column(group, name, table[column], UNITS.get(str(column), ""))
    group.attrs.create("columns", [str(column) for column in table.columns], dtype=TEXT)
    group.attrs.create("datasets", names, dtype=TEXT)


def _write_column(group: h5py.Group, name: str, values: pd.Series, units: str) -> None:
    if not is_text(values):
        write_array(group, name, values.to_numpy(), units=units)
        return
    codes, different = pd.factorize(values.map(str) if values.hasnans else values)  # most texts repeat
    texts = [str(v).replace("\0", "\N{SYMBOL FOR NULL}").encode("utf-8", "replace") for v in different]
    longest = max(map(len, texts), default=0) or 1
    if longest > LONGEST_FIXED_TEXT:
        long = np.array(texts, dtype=object)[codes]
        group.create_dataset(name, data=long, dtype=TEXT).attrs["crc32"] = _crc32(long)
    else:  # one width for all: read and written several times faster
        fixed = np.array(texts, dtype=f"S{longest}")[codes]
        write_array(group, name, fixed.astype(h5py.string_dtype("utf-8", longest)))


def is_text(values: pd.Series) -> bool:
    """Whether a column is stored as text.

    Parameters
    ----------
    values : pandas.Series
    """
    return not pd.api.types.is_numeric_dtype(values)


def join_tables(parts: list[pd.DataFrame]) -> pd.DataFrame:
    """Tables one under the other; what a part does not have is unknown (NaN or "").

    Parameters
    ----------
    parts : list of pandas.DataFrame
    """
    table = pd.concat(parts, ignore_index=True)
    for column in table.columns:
        if any(column in part and is_text(part[column]) for part in parts):
            table[column] = table[column].astype(object).where(table[column].notna(), "")
    return table


def no_rows(name: str) -> pd.DataFrame:
    """One of `TABLES` without rows.

    Parameters
    ----------
    name : str
        Its key there.
    """
    return pd.DataFrame({column: _unknown(kind, 0) for column, kind in TABLES[name].items()})


def _unknown(kind: type, rows: int) -> pd.Series[Any]:
    return pd.Series([np.nan if kind is float else kind()] * rows, dtype=object if kind is str else kind)


def read_log(file: h5py.File, name: str) -> pd.DataFrame:
    """One of `TABLES`, also where it is empty or the session was made before there was such a one.

    Parameters
    ----------
    file : h5py.File
    name : str
        Its key in `TABLES`; columns that sessions of an earlier version do not have come back as unknown.
    """
    table = read_table(part_of(file, name)) if name in file["entry"] else pd.DataFrame()
    if table.columns.empty:
        return no_rows(name)
    kinds = TABLES[name].items()
    return table.assign(**{column: _unknown(kind, len(table)) for column, kind in kinds if column not in table})


def append_log(file: h5py.File, name: str, rows: pd.DataFrame | list[dict[str, Any]]) -> None:
    """Add rows at the end of one of `TABLES`.

    Parameters
    ----------
    file : h5py.File
        Open for a change.
    name : str
        Its key in `TABLES`.
    rows : DataFrame or list of dict
        Columns that are not given are left at 0 or "".
    """
    records: list[Any] = rows.to_dict("records") if isinstance(rows, pd.DataFrame) else rows
    if not records:
        return
    kinds = TABLES[name].items()
    new = pd.DataFrame({column: [kind(row.get(column, kind())) for row in records] for column, kind in kinds})
    old = read_log(file, name)
    group = file["entry"].require_group(name)
    group.attrs["NX_class"] = "NXcollection"
    write_table(group, new if old.empty else join_tables([old, new]))
