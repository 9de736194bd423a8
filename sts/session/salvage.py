"""What is whole in a damaged session that HDF5 still opens: columns, blocks of sweeps, original files.

Every column and axis carries a checksum, every block of sweeps one of HDF5's own, every original a SHA-256, and what describes them
is sealed (`sts.session.seals`), so that only what is as it was written is taken.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from typing import Any, TypeVar

import h5py
import numpy as np
import pandas as pd

from sts.session import layout, originals, tables
from sts.session.faults import damage_passed
from sts.session.seals import ENTRY, SealedFile
from sts.session.tables import PLACE, SOURCE, SessionError
from sts.sweeps import KINDS, SweepSet

T = TypeVar("T")


def unless_damaged(read: Callable[[], T]) -> T | None:
    """What a function reads, or None if the file is damaged there.

    Parameters
    ----------
    read : callable

    Raises
    ------
    MemoryError, RecursionError, OSError
        What fails for a reason of the machine is not lost.
    """
    with suppress(SessionError), damage_passed():
        return read()
    return None


@dataclass(frozen=True, eq=False)
class Table:
    """What is whole of a table.

    Attributes
    ----------
    frame : pandas.DataFrame
        Its whole columns.
    lost : tuple of str
        The names of the others, as far as they are known.
    """

    frame: pd.DataFrame
    lost: tuple[str, ...] = ()


def whole_table(file: SealedFile, name: str) -> Table:
    """What is whole of the table in a group under ``/entry``; no column at all where the group is lost.

    Parameters
    ----------
    file : SealedFile
    name : str
    """
    group = unless_damaged(lambda: file["entry"][name])
    if group is None:
        return Table(pd.DataFrame())
    altered = _altered(file, name)
    columns = None if f"{ENTRY}/{name}" in altered else unless_damaged(partial(_columns, group))
    if columns is None:  # which column is which stands nowhere now but in the names of their datasets
        own = "name" if name == "sources" else "sweep"
        columns = {
            own if found == "name" else found: found
            for found in unless_damaged(lambda: list(group)) or ()
            if found not in tables.RESERVED
        }
    read = {
        column: None
        if f"{ENTRY}/{name}/{dataset}" in altered
        else unless_damaged(partial(_read_column, group, dataset))
        for column, dataset in columns.items()
        if dataset != "content"
    }
    lengths = pd.Series([len(values) for values in read.values() if values is not None])
    rows = int(lengths.mode().iloc[0]) if len(lengths) else 0
    whole = {column: values for column, values in read.items() if values is not None and len(values) == rows}
    return Table(pd.DataFrame(whole), tuple(column for column in read if column not in whole))


def _read_column(group: h5py.Group, dataset: str) -> Any:
    return tables.read_column(group[dataset])


def _altered(file: SealedFile, name: str) -> set[str]:
    return set(unless_damaged(lambda: file.altered(name)) or ())


def _columns(group: h5py.Group) -> dict[str, str]:
    return dict(zip(map(str, group.attrs.get("columns", ())), group.attrs.get("datasets", ()), strict=True))


@dataclass(frozen=True, eq=False)
class Salvaged:
    """What is whole of one set of sweeps.

    Attributes
    ----------
    name : str
        Of the set.
    table : Table
        With a name for each sweep, made up (``iv_001-1``) where the names are lost.
    files, places : ndarray of int, shape (m,)
        Row of each sweep's file in the sources and which sweep of that file it is; -1 where that is lost.
    axis : ndarray, shape (n,), or None
        None where it is lost; then all numbers are.
    parts : tuple of (ndarray of int, SweepSet)
        Rows in the table and the sweeps there, of all blocks whose numbers are whole.
    """

    name: str
    table: Table
    files: np.ndarray
    places: np.ndarray
    axis: np.ndarray | None
    parts: tuple[tuple[np.ndarray, SweepSet], ...]

    @property
    def lost(self) -> np.ndarray:
        """The rows whose numbers are not whole, ascending."""
        whole = [rows for rows, _ in self.parts]
        return np.setdiff1d(np.arange(len(self.table.frame)), np.concatenate(whole) if whole else [])


def whole_set(file: SealedFile, name: str) -> Salvaged | None:
    """What is whole of a set of sweeps; None if not even how many sweeps it has.

    Parameters
    ----------
    file : SealedFile
    name : str
        Of the set.
    """
    table, group = whole_table(file, name), unless_damaged(lambda: file["entry"][name])
    if group is None:
        return None
    rows, altered = len(table.frame), _altered(file, name)
    if table.frame.columns.empty:  # nothing is known of the sweeps but their numbers
        rows = unless_damaged(lambda: len(group["current" if "current" in group else "lockin"])) or 0
        table = Table(pd.DataFrame(index=range(rows)), table.lost)
    if not rows:
        return None

    def read(dataset: str) -> np.ndarray | None:
        values = (
            None
            if f"{ENTRY}/{name}/{dataset}" in altered
            else unless_damaged(lambda: tables.read_array(group[dataset]))
        )
        return values if values is None or dataset == KINDS[name[:2]] or len(values) == rows else None

    files, places = (values if values is not None else np.full(rows, -1) for values in map(read, (SOURCE, PLACE)))
    if "sweep" not in table.frame:
        table = Table(table.frame.assign(sweep=[f"{name}-{number + 1}" for number in range(rows)]), table.lost)
    axis = read(KINDS[name[:2]])
    parts = () if axis is None else tuple(_whole_parts(group, name[:2], axis, table.frame, altered))
    return Salvaged(name, table, files, places, axis, parts)


def _whole_parts(
    group: h5py.Group, kind: str, axis: np.ndarray, table: pd.DataFrame, altered: set[str]
) -> Iterator[tuple[np.ndarray, SweepSet]]:
    """Blocks of sweeps whose numbers are whole, in all channels."""
    there = unless_damaged(lambda: [channel for channel in ("current", "lockin") if channel in group]) or []
    found = {channel: unless_damaged(partial(group.__getitem__, channel)) for channel in there}
    channels = {channel: data for channel, data in found.items() if data is not None}
    shape = (len(table), axis.size)
    whole = [data.shape == shape and f"{group.name}/{channel}" not in altered for channel, data in channels.items()]
    if not there or whole.count(True) < len(there):
        return
    every = np.arange(len(table))
    step = min(data.chunks[0] for data in channels.values())
    for rows in np.split(every, every[step::step]):
        part = unless_damaged(partial(_read_rows, kind, axis, table.iloc[rows], channels, rows))
        if part is not None:
            yield rows, part


def _read_rows(
    kind: str, axis: np.ndarray, table: pd.DataFrame, channels: dict[str, h5py.Dataset], rows: np.ndarray
) -> SweepSet:
    numbers = {channel: layout.read_rows(data, rows) for channel, data in channels.items()}
    return SweepSet(
        kind=kind,
        axis=axis,
        current=numbers.get("current", np.full((len(rows), axis.size), np.nan)),
        table=table.reset_index(drop=True),
        lockin=numbers.get("lockin"),
        lockin_unit=str(channels["lockin"].attrs["units"]) if "lockin" in channels else "",
    )


def whole_original(file: SealedFile, source: Any) -> bytes | None:
    """The bytes of an imported file, if they are those of its SHA-256.

    Parameters
    ----------
    file : SealedFile
    source : mapping
        Its row of the sources.
    """
    content = unless_damaged(lambda: originals.read_content(file["entry"]["sources"]["content"], source))
    return content if content is not None and hashlib.sha256(content).hexdigest() == source["sha256"] else None
