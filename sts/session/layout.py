"""The layout of the HDF5 file, following the open NeXus base classes, so that general viewers plot it.

See ``docs/session.md``. In short::

    /                       NXroot   default="entry", sts_format=1
    /entry                  NXentry  default="iv_001"
    /entry/iv_001, iz_001   NXdata   signal="current" (or "lockin"), axes=["sweep", "bias" or "height"]
        sweep (m,)          number of the sweep, 1 to m (viewers draw no names on an axis)
        bias or height (n,) axis
        current, lockin (m, n), with a checksum a chunk
        sweep_keys (m, 2)   by which a copy of a sweep is found
        name, sample, tip, ... (m,)   the columns of the table, beside the sweeps
    /entry/sources          NXcollection: one row a file, and the original bytes of all, one after the other
    /entry/decisions        NXcollection: append-only columns
    /entry/calibrations     NXcollection: append-only columns
    /entry/annotations      NXcollection: append-only columns
"""

from __future__ import annotations

import zlib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pandas as pd

from sts.sweeps import COLUMNS, KINDS, TEXT_COLUMNS, SweepSet

FORMAT = 1
UPGRADES: dict[int, Callable[[h5py.File], None]] = {}  # older format: what brings it to the next one

BLOCK_BYTES = 32 << 20  # memory used at a time
SMALL_COLUMN = 16 << 10  # [bytes] below, compression costs more than it saves
LONGEST_FIXED_TEXT = 512  # [bytes] longer texts get room of their own, not the same room in every row
TEXT = h5py.string_dtype("utf-8")
UNITS = {
    "x_m": "m",
    "y_m": "m",
    "temperature_K": "K",
    "setpoint_current_A": "A",
    "setpoint_bias_V": "V",
    "bias_V": "V",
    "duration_s": "s",
    "full_scale_A": "A",
    "modulation_V": "V",
}
SOURCE = "source_index"  # (m,) row of the sweep's file in /entry/sources
PLACE = "source_row"  # (m,) which sweep of that file it is, from 0
KEYS = "sweep_keys"  # (m, 2) by which a copy of a sweep is found
RESERVED = {"sweep", "bias", "height", "current", "lockin", SOURCE, PLACE, KEYS}
TABLES: dict[str, dict[str, type]] = {
    "sources": {
        "name": str, "sha256": str, "size": int, "reader": str, "recipe": str, "imported": str, "sweeps": int,
        "notes": str, "offset": int, "path": str, "above": str, "modified": str,
    },
    "decisions": {"time": str, "sweep": str, "action": str, "why": str},
    "calibrations": {
        "kind": str, "factor": float, "factor_se": float, "measured": float, "known": float, "source": str,
        "time": str,
    },
    "annotations": {
        "number": int, "action": str, "time": str, "sweep": str, "column": str, "before": str, "after": str,
        "source": str,
    },
}  # fmt: skip


RESCUE = " 'sts rescue SESSION.h5 --out NEW.h5' saves what can still be read."


class SessionError(ValueError):
    """A session that cannot be used as asked; the text is one line with what to do."""


# --- the file as a whole ---------------------------------------------------------------------------------------------


def format_of(file: h5py.File, path: Path) -> int:
    """The format number of a session file.

    Raises
    ------
    SessionError
        If it is no session, or of a newer format than this version knows.
    """
    version = file.attrs.get("sts_format")
    if not isinstance(version, (int, np.integer)) or "entry" not in file:
        raise SessionError(f"{path}: is an HDF5 file but not a session. Import its data with a recipe instead.")
    if version > FORMAT:
        raise SessionError(
            f"{path}: was written by a newer sts (session format {version}; this one reads up to {FORMAT}). "
            "Update sts to use it."
        )
    if any(step not in UPGRADES for step in range(int(version), FORMAT)):
        raise SessionError(f"{path}: has session format {version}, which is not known. Is it really a session?")
    return int(version)


def upgrade(file: h5py.File, version: int) -> None:
    """Bring a file of an older format to the present one, step by step."""
    for step in range(version, FORMAT):
        UPGRADES[step](file)
        file.attrs["sts_format"] = step + 1


def prepare(file: h5py.File) -> None:
    """Write the frame of a new session into an empty file."""
    file.attrs.update({"NX_class": "NXroot", "default": "entry", "creator": "sts", "sts_format": FORMAT})
    entry = file.create_group("entry")
    entry.attrs["NX_class"] = "NXentry"
    for name in TABLES:
        entry.create_group(name).attrs["NX_class"] = "NXcollection"


def count_holes(file: h5py.File) -> None:
    """Note the space that this change left unused; HDF5 forgets about it when the file is closed."""
    file.attrs["sts_holes"] = holes(file) + int(file.id.get_freespace())


def holes(file: h5py.File) -> int:
    """Unused space within the file [bytes]."""
    return int(file.attrs.get("sts_holes", 0))


def repack(file: h5py.File, new: h5py.File) -> None:
    """Write the same session without holes into an empty file."""
    new.attrs.update({**file.attrs, "sts_holes": 0})
    file.copy("entry", new)


def set_names(file: h5py.File, kind: str | None = None) -> list[str]:
    """The names of the sets of sweeps, in order of import."""
    kinds = [kind] if kind else list(KINDS)
    names = [name for name in file["entry"] if name[:2] in kinds and name[2:3] == "_" and name[3:].isdecimal()]
    return sorted(names, key=lambda name: (name[:2], int(name[3:])))


def part_of(file: h5py.File, name: str) -> h5py.Group:
    """A group under ``/entry``; links out of the file are refused.

    Raises
    ------
    SessionError
        If the group is not inside this file.
    """
    entry = file["entry"]
    if not isinstance(entry.get(name, getlink=True), h5py.HardLink):
        raise SessionError(f"{file.filename}: '{name}' points out of the file, which no session does.")
    return entry[name]


def read_array(data: h5py.Dataset, selection: Any = ...) -> np.ndarray:
    """Numbers of a dataset, if the file really holds what it claims to.

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
    if selection is ... and checksum is not None and checksum != zlib.crc32(values.tobytes()):
        raise SessionError(f"{data.file.filename}: is damaged ({data.name} does not have its checksum).{RESCUE}")
    return values


def write_array(group: h5py.Group, name: str, values: np.ndarray, *, units: str = "") -> None:
    """Store an array whole, with its unit and a checksum; long ones deflated."""
    how: dict[str, Any] = {}
    if values.nbytes > SMALL_COLUMN:
        how = {"compression": "gzip", "compression_opts": 1, "shuffle": True}
    data = group.create_dataset(name, data=values, **how)
    data.attrs["units"] = units
    data.attrs["crc32"] = zlib.crc32(values.tobytes())


# --- tables ----------------------------------------------------------------------------------------------------------


def read_table(group: h5py.Group) -> pd.DataFrame:
    """The table of a group, in the order of its columns."""
    columns = {}
    for column, name in zip(group.attrs.get("columns", ()), group.attrs.get("datasets", ()), strict=True):
        columns[str(column)] = _read_column(group[name])
    return pd.DataFrame(columns)


def _read_column(data: h5py.Dataset) -> Any:
    text = h5py.check_string_dtype(data.dtype)
    values = read_array(data)
    if text is None:
        return values
    return pd.Series([value.decode("utf-8") for value in values.tolist()], dtype=object)


def write_table(group: h5py.Group, table: pd.DataFrame) -> None:
    """Write a table as one dataset a column, in place of what the group had."""
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
        group.create_dataset(name, data=np.array(texts, dtype=object)[codes], dtype=TEXT)
    else:  # one width for all: read and written several times faster
        fixed = np.array(texts, dtype=f"S{longest}")[codes]
        write_array(group, name, fixed.astype(h5py.string_dtype("utf-8", longest)))


def is_text(values: pd.Series) -> bool:
    """Whether a column is stored as text."""
    return not pd.api.types.is_numeric_dtype(values)


def join_tables(parts: list[pd.DataFrame]) -> pd.DataFrame:
    """Tables one under the other; what a part does not have is unknown (NaN or "")."""
    table = pd.concat(parts, ignore_index=True)
    for column in table.columns:
        if any(column in part and is_text(part[column]) for part in parts):
            table[column] = table[column].astype(object).where(table[column].notna(), "")
    return table


def read_log(file: h5py.File, name: str) -> pd.DataFrame:
    """One of `TABLES`, also where it is empty or the session was made before there was such a one."""
    if name not in file["entry"]:
        return no_rows(name)
    table = read_table(part_of(file, name))
    if table.columns.empty:
        return no_rows(name)
    missing = {c: pd.Series([kind()] * len(table), dtype=object if kind is str else kind)
               for c, kind in TABLES[name].items() if c not in table}  # fmt: skip
    return table.assign(**missing)  # columns that sessions of an earlier version do not have


def no_rows(name: str) -> pd.DataFrame:
    """One of `TABLES` without rows."""
    kinds = TABLES[name].items()
    return pd.DataFrame({column: pd.Series(dtype=object if kind is str else kind) for column, kind in kinds})


def append_log(file: h5py.File, name: str, rows: list[dict[str, Any]]) -> None:
    """Add rows at the end of one of `TABLES`."""
    if not rows:
        return
    new = pd.DataFrame(
        {column: [kind(row.get(column, kind())) for row in rows] for column, kind in TABLES[name].items()}
    )
    old = read_log(file, name)
    group = file["entry"].require_group(name)
    group.attrs["NX_class"] = "NXcollection"
    write_table(group, new if old.empty else join_tables([old, new]))


def read_content(file: h5py.File, source: Any) -> bytes:
    """The original bytes of one file, by its row of `sources`."""
    stored = part_of(file, "sources")["content"]
    return read_array(stored, slice(int(source["offset"]), int(source["offset"]) + int(source["size"]))).tobytes()


# --- sets of sweeps --------------------------------------------------------------------------------------------------


def known_part(table: pd.DataFrame) -> pd.DataFrame:
    """The table without the standard columns of which nothing is known (they come back when it is read)."""
    empty = [
        column
        for column in COLUMNS
        if column != "sweep"
        and column in table
        and ((table[column] == "").all() if column in TEXT_COLUMNS else table[column].isna().all())
    ]
    return table.drop(columns=empty)


# columns of the toolkit's; early sessions may hold own ones so called
_TAKEN = ("kind", "set", "points", "used", "flags", "unassigned", "replicate")


def read_listing(group: h5py.Group) -> pd.DataFrame:
    """The table of a set with all standard columns, read without touching the sweeps."""
    table = read_table(group)
    own = {c: f"own_{c}" for c in _TAKEN if c in table}
    table = table.rename(columns=own) if own else table
    rows = len(table)
    missing = {c: pd.Series([""] * rows, dtype=object) if c in TEXT_COLUMNS else np.full(rows, np.nan)
               for c in COLUMNS if c not in table}  # fmt: skip
    table = table.assign(**missing)
    return table[[*COLUMNS, *(c for c in table.columns if c not in COLUMNS)]]


def shape_of(group: h5py.Group) -> tuple[int, int]:
    """(sweeps, points) of a set."""
    sweeps, points = group[group.attrs["signal"]].shape
    return int(sweeps), int(points)


def read_set(
    group: h5py.Group, table: pd.DataFrame, rows: np.ndarray | None = None, notes: tuple[str, ...] = ()
) -> SweepSet:
    """A set of sweeps with its `table` (all rows), whole or only some `rows` (ascending positions)."""
    kind = group.name.rsplit("/", 1)[-1][:2]
    picked = table if rows is None else table.iloc[rows].reset_index(drop=True)
    shape = (len(picked), group[KINDS[kind]].size)
    return SweepSet(
        kind=kind,
        axis=read_array(group[KINDS[kind]]),
        current=_rows(group["current"], rows) if "current" in group else np.full(shape, np.nan),
        table=picked,
        lockin=_rows(group["lockin"], rows) if "lockin" in group else None,
        lockin_unit=str(group["lockin"].attrs["units"]) if "lockin" in group else "",
        notes=notes,
    )


def _rows(data: h5py.Dataset, rows: np.ndarray | None) -> np.ndarray:
    """Some rows of a dataset, read in whole chunks (picking rows one by one is far slower)."""
    if rows is None or len(rows) == len(data):
        return read_array(data)
    found = np.empty((len(rows), data.shape[1]))
    for block in blocks(data.shape):
        first, last = np.searchsorted(rows, [block.start, block.stop])
        if first < last:
            low, high = rows[first], rows[last - 1] + 1
            found[first:last] = read_array(data, slice(low, high))[rows[first:last] - low]
    return found


def blocks(shape: tuple[int, int]) -> Iterator[slice]:
    """Slices of rows of an array of float64, none larger than `BLOCK_BYTES`."""
    sweeps, points = shape
    step = max(1, BLOCK_BYTES // (8 * points))
    for start in range(0, sweeps, step):
        yield slice(start, min(start + step, sweeps))
