"""The layout of the HDF5 file, following the open NeXus base classes, so that general viewers plot it.

See ``docs/session.md``. In short::

    /                       NXroot   default="entry", sts_format=1
    /entry                  NXentry  default="iv_001"
    /entry/iv_001, iz_001   NXdata   signal="current" (or "lockin"), axes=["sweep", "bias" or "height"]
        sweep (m,)          number of the sweep, 1 to m (viewers draw no names on an axis)
        bias or height (n,) axis
        current, lockin (m, n), with a checksum per chunk
        sweep_keys (m, 2)   by which a copy of a sweep is found
        name, sample, tip, ... (m,)   the columns of the table, beside the sweeps
    /entry/sources          NXcollection: one row per file, and the original bytes of all, one after the other
    /entry/decisions        NXcollection: append-only columns
    /entry/looked           NXcollection: append-only columns
    /entry/calibrations     NXcollection: append-only columns
    /entry/annotations      NXcollection: append-only columns
    /entry/seals            checksums of names, attributes and shapes of all that
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import cached_property
from pathlib import Path

import h5py
import numpy as np
import pandas as pd

from sts.provenance import days
from sts.session.seals import FIRST_SEALED
from sts.session.tables import (
    PLACE,
    SOURCE,
    TABLES,
    SessionError,
    join_tables,
    part_of,
    read_array,
    read_log,
    read_table,
)
from sts.sweeps import COLUMNS, KINDS, TEXT_COLUMNS, SweepSet

FORMAT = 1
NEWEST = FIRST_SEALED  # an older program would change a session and leave its checksums as they were
UPGRADES: dict[int, Callable[[h5py.File], None]] = {}  # older format: what brings it to the next one
BLOCK_BYTES = 32 << 20  # memory used at a time
_TAKEN = (
    "kind",
    "set",
    "points",
    "used",
    "flags",
    "unassigned",
    "replicate",
)  # the toolkit's; early sessions had own ones


def format_of(file: h5py.File, path: Path) -> int:
    """The format number of a session file.

    Parameters
    ----------
    file : h5py.File
    path : path
        Its name for the error.

    Raises
    ------
    SessionError
        If it is no session, or of a newer format than this version knows.
    """
    version = file.attrs.get("sts_format")
    if not isinstance(version, (int, np.integer)) or "entry" not in file:
        raise SessionError(f"{path}: is an HDF5 file but not a session. Import its data with a recipe instead.")
    if version > NEWEST:
        raise SessionError(
            f"{path}: was written by a newer sts (session format {version}; this one reads up to {NEWEST}). "
            "Update sts to use it."
        )
    if any(step not in UPGRADES for step in range(int(version), FORMAT)):
        raise SessionError(f"{path}: has session format {version}, which is not known. Is it really a session?")
    return int(version)


def upgrade(file: h5py.File, version: int) -> None:
    """Bring a file of an older format to the present one, step by step.

    Parameters
    ----------
    file : h5py.File
        Open for a change.
    version : int
        Its format.
    """
    for step in range(version, FORMAT):
        UPGRADES[step](file)
        file.attrs["sts_format"] = step + 1


def prepare(file: h5py.File) -> None:
    """Write the frame of a new session into an empty file.

    Parameters
    ----------
    file : h5py.File
    """
    file.attrs.update({"NX_class": "NXroot", "default": "entry", "creator": "sts", "sts_format": FORMAT})
    entry = file.create_group("entry")
    entry.attrs["NX_class"] = "NXentry"
    for name in TABLES:
        entry.create_group(name).attrs["NX_class"] = "NXcollection"


def count_holes(file: h5py.File) -> None:
    """Note the space that this change left unused; HDF5 forgets about it when the file is closed.

    Parameters
    ----------
    file : h5py.File
    """
    file.attrs["sts_holes"] = holes(file) + int(file.id.get_freespace())


def holes(file: h5py.File) -> int:
    """Unused space within the file [bytes].

    Parameters
    ----------
    file : h5py.File
    """
    return int(file.attrs.get("sts_holes", 0))


def repack(file: h5py.File, new: h5py.File) -> None:
    """Write the same session without holes into an empty file.

    Parameters
    ----------
    file, new : h5py.File
    """
    new.attrs.update({**file.attrs, "sts_holes": 0})
    file.copy("entry", new)


def sweep_days(file: h5py.File) -> dict[str, str]:
    """The day of each sweep by its name, as `sts.provenance.days` tells it of the whole session.

    Parameters
    ----------
    file : h5py.File
    """
    parts = [read_table(stored.group, ["sweep", "started", "source", "day"]) for stored in stored_sets(file)]
    if not parts:
        return {}
    table = join_tables([part.assign(started="") if "started" not in part else part for part in parts])
    return dict(zip(table["sweep"], days(table, read_log(file, "sources")), strict=True))


def is_entry(group: h5py.Group) -> bool:
    """Whether a group is the one that all parts of a session are in.

    Parameters
    ----------
    group : h5py.Group
    """
    return set(group) >= {"sources", "decisions"}


def set_names(file: h5py.File, kind: str | None = None) -> list[str]:
    """The names of the sets of sweeps, in order of import.

    Parameters
    ----------
    file : h5py.File
    kind : str, optional
        Only those of one kind.
    """
    names = [name for name in file["entry"] if is_set(name) and kind in (None, name[:2])]
    return sorted(names, key=lambda name: (name[:2], int(name[3:])))


def is_set(name: str) -> bool:
    """Whether a group under ``/entry`` is a set of sweeps, by its name.

    Parameters
    ----------
    name : str
    """
    return name[:2] in KINDS and name[2:3] == "_" and name[3:].isdecimal()


def stored_sets(file: h5py.File, kind: str | None = None) -> list[StoredSet]:
    """The sets of sweeps of a file, in order of import.

    Parameters
    ----------
    file : h5py.File
    kind : str, optional
        Only those of one kind.
    """
    return [StoredSet(file, name) for name in set_names(file, kind)]


class StoredSet:
    """A set of sweeps in an open file; its numbers are read when they are asked for."""

    def __init__(self, file: h5py.File, name: str) -> None:
        self.name, self.kind, self.group = name, name[:2], part_of(file, name)

    @cached_property
    def table(self) -> pd.DataFrame:
        """The table with all standard columns."""
        table = read_table(self.group)
        table = table.rename(columns={column: f"own_{column}" for column in _TAKEN if column in table})
        rows = len(table)
        missing = {c: pd.Series([""] * rows, dtype=object) if c in TEXT_COLUMNS else np.full(rows, np.nan)
                   for c in COLUMNS if c not in table}  # fmt: skip
        table = table.assign(**missing)
        return table[[*COLUMNS, *(c for c in table.columns if c not in COLUMNS)]]

    @property
    def names(self) -> pd.DataFrame:
        """The column `sweep` of the table alone: all that a decision needs, at a tenth of the time."""
        return read_table(self.group, ["sweep"])

    @cached_property
    def files(self) -> np.ndarray:
        """Row of the sweeps' file in the sources (m,)."""
        return read_array(self.group[SOURCE])

    @cached_property
    def places(self) -> np.ndarray:
        """Which sweep of its file each is (m,)."""
        return read_array(self.group[PLACE])

    @property
    def axis(self) -> np.ndarray:
        """Its axis (n,) [V] or [m]."""
        return read_array(self.group[KINDS[self.kind]])

    @property
    def signal(self) -> h5py.Dataset:
        """What viewers plot (m, n): current, or lock-in where there is none."""
        return self.group[self.group.attrs["signal"]]

    @property
    def lockin_unit(self) -> str:
        """Unit of the lock-in channel; "" where there is none."""
        return str(self.group["lockin"].attrs["units"]) if "lockin" in self.group else ""

    def read(
        self, rows: np.ndarray | None = None, *, table: pd.DataFrame | None = None, notes: tuple[str, ...] = ()
    ) -> SweepSet:
        """Its sweeps, whole or only some rows.

        Parameters
        ----------
        rows : ndarray of int, optional
            Ascending positions; all if not given.
        table : pandas.DataFrame, optional
            Another one for all sweeps of the set.
        notes : tuple of str
            What the files' readers had to say.

        Raises
        ------
        SessionError
            If the numbers are damaged.
        """
        table = self.table if table is None else table
        picked = table if rows is None else table.iloc[rows].reset_index(drop=True)
        axis = self.axis
        return SweepSet(
            kind=self.kind,
            axis=axis,
            current=read_rows(self.group["current"], rows)
            if "current" in self.group
            else np.full((len(picked), axis.size), np.nan),
            table=picked,
            lockin=read_rows(self.group["lockin"], rows) if "lockin" in self.group else None,
            lockin_unit=self.lockin_unit,
            notes=notes,
        )


def read_rows(data: h5py.Dataset, rows: np.ndarray | None) -> np.ndarray:
    """Some rows of a dataset, read in whole chunks (picking rows one by one is far slower).

    Parameters
    ----------
    data : h5py.Dataset, shape (m, n)
    rows : ndarray of int, optional
        Ascending; all if not given.

    Raises
    ------
    SessionError
        As `read_array`.
    """
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
    """Slices of rows of an array of float64, none larger than `BLOCK_BYTES`.

    Parameters
    ----------
    shape : (int, int)
        Of the array.
    """
    sweeps, points = shape
    step = max(1, BLOCK_BYTES // (8 * points))
    for start in range(0, sweeps, step):
        yield slice(start, min(start + step, sweeps))


def known_part(table: pd.DataFrame) -> pd.DataFrame:
    """The table without the standard columns of which nothing is known (they come back when it is read).

    Parameters
    ----------
    table : pandas.DataFrame
    """
    empty = [
        column
        for column in COLUMNS
        if column != "sweep"
        and column in table
        and ((table[column] == "").all() if column in TEXT_COLUMNS else table[column].isna().all())
    ]
    return table.drop(columns=empty)
