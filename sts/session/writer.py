"""Adding files and sweeps to an open session file, in blocks, so that memory does not grow with the session."""

from __future__ import annotations

import zlib
from collections import deque
from collections.abc import Iterable, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import Any

import h5py
import numpy as np
import pandas as pd

from sts.session import layout
from sts.session.copies import KnownSweeps, Numbers, keys_of, relation, signal_of
from sts.sweeps import AXIS_UNITS, COLUMNS, KINDS, SweepSet

CHUNK_BYTES = 1 << 20
SAMPLE = 1 << 16  # [bytes] at both ends of a chunk, to see whether it shrinks
SMALL_SET = 8 << 20  # [bytes] below, a set that grows is written anew, with chunks that suit its new size
WAITING = 4  # chunks that may be shrunk while others are read
STORED_AS_IS = 1  # HDF5 filter mask: the first filter, deflate, was skipped for this chunk


@dataclass
class _OpenSet:
    """A set that new sweeps may join, and what waits to be written to it."""

    group: h5py.Group
    text: dict[str, bool]  # the user's own columns: whether they are text
    tables: list[Mapping[str, np.ndarray]] = field(default_factory=list)  # of all added, with source_index and _row
    waiting: list[SweepSet] = field(default_factory=list)
    waiting_bytes: int = 0
    before: int = 0  # sweeps it had when it was opened
    written: int = 0  # sweeps whose numbers are in the file
    total: int = 0  # those and the waiting
    keys: list[np.ndarray] = field(default_factory=list)  # of all added

    def numbers(self, row: int) -> Numbers:
        """The numbers of one of its sweeps, from the file or from what waits."""
        kind = self.group.name.rsplit("/", 1)[-1][:2]
        axis = layout.read_array(self.group[KINDS[kind]])
        if row < self.written:
            return Numbers(kind, axis, layout.read_array(self.group[self.group.attrs["signal"]], row))
        row -= self.written
        for part in self.waiting:
            if row < len(part):
                return Numbers(kind, axis, signal_of(part)[row])
            row -= len(part)
        raise IndexError(row)


class Writer:
    """Adds to a session; `finish` must be called once, at the end."""

    def __init__(self, file: h5py.File) -> None:
        self._file = file
        self._sets: dict[Any, list[_OpenSet]] = {}
        self._numbers = dict.fromkeys(KINDS, 0)
        self.sweep_names: dict[str, int] = {}
        for name in layout.set_names(file):
            group = layout.part_of(file, name)
            table = layout.read_table(group)
            self.sweep_names.update(dict.fromkeys(table["sweep"], 1))
            self._numbers[name[:2]] = int(name[3:])
            self._sets.setdefault(_key_of(group), []).append(
                _OpenSet(group, _texts(table), before=len(table), written=len(table), total=len(table))
            )
        sources = layout.read_log(file, "sources")
        self._sources = len(sources)
        self._new_sources: list[dict[str, Any]] = []
        self._file_names = dict.fromkeys(sources["name"], 1)
        self._content = _Content(file["entry"]["sources"])
        self._last: tuple[SweepSet, np.ndarray] | None = None  # a set and its keys
        self._known: KnownSweeps | None = None  # made when a copy is first asked for

    def find_copies(self, sweeps: SweepSet) -> list[tuple[int, str, str]]:
        """Which of these sweeps are in the session already: row, how (as `relation` says), name of the one that is.

        Sweeps of the set itself count, too: the first of two that are alike stays.
        """
        if self._known is None:
            self._known = KnownSweeps()
            for target in (t for same in self._sets.values() for t in same):
                self._known.add(_stored_keys(target), ((target, row) for row in range(target.before)))
        signal, keys = signal_of(sweeps), self._keys_of(sweeps)
        own = KnownSweeps()
        found = []
        for row in range(len(sweeps)):
            places = [*self._known.alike(keys[row]), *own.alike(keys[row])]
            new = Numbers(sweeps.kind, sweeps.axis, signal[row])
            for end, (target, other) in places:
                old = target.numbers(other) if target is not None else Numbers(sweeps.kind, sweeps.axis, signal[other])
                how = relation(new, old, end)
                if how:
                    found.append((row, how, self._name(target, other) if target is not None else sweeps.names[other]))
                    break
            else:
                if len(sweeps) > 1:
                    own.add(keys[row : row + 1], [(None, row)])
        return found

    def _keys_of(self, sweeps: SweepSet) -> np.ndarray:
        """The keys of a set; it is asked for twice, when copies are looked for and when it is added."""
        if self._last is None or self._last[0] is not sweeps:
            self._last = sweeps, keys_of(sweeps.axis, signal_of(sweeps))
        return self._last[1]

    def _name(self, target: _OpenSet, row: int) -> str:
        if row < target.before:
            return str(layout.read_table(target.group)["sweep"].iloc[row])
        return str(np.concatenate([table["sweep"] for table in target.tables])[row - target.before])

    def add_content(self, content: Iterable[bytes | memoryview]) -> int:
        """Store the bytes of a file; return where they begin."""
        offset = self._content.size
        for piece in content:
            self._content.add(piece)
        return offset

    def add_source(self, *, offset: int, **row: Any) -> tuple[int, str]:
        """Store the row of a file in the table; return its number and its name in this session."""
        name = unique(str(row["name"]), self._file_names, before_ending=True)
        self._new_sources.append({**row, "name": name, "offset": offset})
        return self._sources + len(self._new_sources) - 1, name

    def add(self, sweeps: SweepSet, *, source: Any, place: Any, source_name: str | None = None) -> list[str]:
        """Add sweeps to the set they fit, else to a new one; return their names, made unique in the session.

        Parameters
        ----------
        source, place : int or array_like, shape (m,)
            Number of their file, and which sweep of it each is.
        source_name : str, optional
            For the column `source`; left as it is if None.
        """
        names = sweeps.names
        if self.sweep_names.keys().isdisjoint(names):
            self.sweep_names.update(dict.fromkeys(names, 1))
        else:
            names = [unique(name, self.sweep_names) for name in names]
        columns = {**sweeps.columns, "sweep": np.array(names, object)}
        columns[layout.SOURCE] = np.full(len(names), source)
        columns[layout.PLACE] = np.full(len(names), place)
        if source_name is not None:
            columns["source"] = np.full(len(names), source_name, object)
        target = self._set_for(sweeps)
        keys = self._keys_of(sweeps)
        if self._known is not None:
            self._known.add(keys, ((target, target.total + i) for i in range(len(keys))))
        target.total += len(keys)
        target.keys.append(keys)
        target.tables.append(columns)
        target.waiting.append(sweeps)
        target.waiting_bytes += sweeps.current.nbytes
        if target.waiting_bytes >= layout.BLOCK_BYTES:
            _write_waiting(target)
        return names

    def finish(self) -> None:
        """Write what waits, and the tables."""
        for target in (t for same in self._sets.values() for t in same if t.tables):
            _write_waiting(target)
            _write_tables(target)
        entry = self._file["entry"]
        names = layout.set_names(self._file)
        if names and "default" not in entry.attrs:
            entry.attrs["default"] = names[0]
        self._content.finish()
        layout.append_log(self._file, "sources", self._new_sources)

    def _set_for(self, sweeps: SweepSet) -> _OpenSet:
        key = (sweeps.kind, (sweeps.axis + 0.0).tobytes(), sweeps.lockin is not None, sweeps.lockin_unit,
               sweeps.has_current or sweeps.lockin is None)  # fmt: skip
        own = {c: values.dtype == object for c, values in sweeps.columns.items() if c not in COLUMNS}
        same = self._sets.setdefault(key, [])
        for candidate in same:
            if all(candidate.text.get(column, is_text) == is_text for column, is_text in own.items()):
                candidate.text.update(own)
                return candidate
        self._numbers[sweeps.kind] += 1
        group = self._file["entry"].create_group(f"{sweeps.kind}_{self._numbers[sweeps.kind]:03d}")
        axis = KINDS[sweeps.kind]
        group.attrs.update({"NX_class": "NXdata", "signal": "current" if key[-1] else "lockin"})
        group.attrs.create("axes", ["sweep", axis], dtype=layout.TEXT)
        layout.write_array(group, axis, sweeps.axis + 0.0, units=AXIS_UNITS[sweeps.kind])
        same.append(_OpenSet(group, own))
        return same[-1]


def _key_of(group: h5py.Group) -> Any:
    kind = group.name.rsplit("/", 1)[-1][:2]
    lockin = "lockin" in group
    unit = str(group["lockin"].attrs["units"]) if lockin else ""
    return (kind, layout.read_array(group[KINDS[kind]]).tobytes(), lockin, unit, group.attrs["signal"] == "current")


def _stored_keys(target: _OpenSet) -> np.ndarray:
    """The keys of the sweeps in the file; those of sessions of an earlier version are made anew."""
    if layout.KEYS in target.group and len(target.group[layout.KEYS]) == target.before:
        return layout.read_array(target.group[layout.KEYS])
    kind = target.group.name.rsplit("/", 1)[-1][:2]
    axis, data = layout.read_array(target.group[KINDS[kind]]), target.group[target.group.attrs["signal"]]
    blocks = list(layout.blocks((target.before, axis.size))) if target.before else []
    parts = [keys_of(axis, layout.read_array(data, block)) for block in blocks]
    return np.concatenate(parts) if parts else np.zeros((0, 2), np.uint64)


def _texts(table: pd.DataFrame) -> dict[str, bool]:
    return {str(column): layout.is_text(table[column]) for column in table.columns if column not in COLUMNS}


def _write_waiting(target: _OpenSet) -> None:
    waiting, target.waiting, target.waiting_bytes = target.waiting, [], 0
    target.written += sum(map(len, waiting))
    if not waiting:
        return
    if target.group.attrs["signal"] == "current":
        _append(target.group, "current", [part.current for part in waiting], "A")
    if waiting[0].lockin is not None:
        lockin = [part.lockin for part in waiting if part.lockin is not None]
        _append(target.group, "lockin", lockin, waiting[0].lockin_unit)


def _append(group: h5py.Group, name: str, parts: list[np.ndarray], units: str) -> None:
    points = parts[0].shape[1]
    if name in group and group[name].nbytes < SMALL_SET:
        parts = [layout.read_array(group[name]), *parts]
        del group[name]
    new = sum(len(part) for part in parts)
    if name not in group:
        data = group.create_dataset(
            name, (new, points), dtype=float, maxshape=(None, points), fletcher32=True,
            chunks=(max(1, min(new, CHUNK_BYTES // (8 * points))), points),
        )  # fmt: skip
        data.attrs["units"] = units
        start = 0
    else:
        data = group[name]
        start = len(data)
        data.resize(start + new, axis=0)
    rows = parts[0] if len(parts) == 1 else np.concatenate(parts)
    step = data.chunks[0]
    done = 0
    while done < new:  # whole chunks at a time, wherever the last write ended
        stop = min(new, done + step - (start + done) % step)
        if stop - done == step:
            stop += (min(new - stop, layout.BLOCK_BYTES // (8 * points)) // step) * step
        data[start + done : start + stop] = rows[done:stop]
        done = stop


def _write_tables(target: _OpenSet) -> None:
    group = target.group
    added = _joined(target.tables)
    for column in (layout.SOURCE, layout.PLACE):
        values = added.pop(column).astype(np.int64)
        if column in group:
            values = np.concatenate([layout.read_array(group[column]), values])
            del group[column]
        layout.write_array(group, column, values)
    keys = np.concatenate([_stored_keys(target), *target.keys])
    if layout.KEYS in group:
        del group[layout.KEYS]
    layout.write_array(group, layout.KEYS, keys)
    table = layout.known_part(pd.DataFrame(added))
    if "datasets" in group.attrs:
        table = layout.join_tables([layout.read_table(group), table])
    layout.write_table(group, table)
    if "sweep" in group:
        del group["sweep"]
    layout.write_array(group, "sweep", np.arange(1, len(table) + 1))


def _joined(parts: list[Mapping[str, np.ndarray]]) -> dict[str, np.ndarray]:
    """Columns one under the other; what a part does not have is unknown (NaN or "")."""
    joined = {}
    for column in dict.fromkeys(column for part in parts for column in part):
        text = any(column in part and part[column].dtype == object for part in parts)
        unknown = np.array("" if text else np.nan, object if text else float)
        joined[column] = np.concatenate(
            [part[column] if column in part else np.broadcast_to(unknown, len(part["sweep"])) for part in parts]
        )
    return joined


def unique(name: str, taken: dict[str, int], *, before_ending: bool = False) -> str:
    """The name, with ``-2``, ``-3`` ... where it is taken already.

    `taken` holds each name with the last number tried for it, and is added to.
    """
    stem, dot, ending = name.rpartition(".") if before_ending and name.rfind(".") > 0 else (name, "", "")
    found = name
    number = taken.get(name, 1)
    while found in taken:
        number += 1
        found = f"{stem}-{number}{dot}{ending}"
    taken[name] = number
    taken.setdefault(found, 1)
    return found


class _Content:
    """The original bytes of all files, one after the other, in chunks that are deflated where that gains.

    Text shrinks to a third; arrays of measured numbers do not shrink, and trying would take ten times as long as
    writing them. HDF5 notes for each chunk whether its filter was used, so any reader reads both.
    """

    def __init__(self, sources: h5py.Group) -> None:
        if "content" not in sources:
            sources.create_dataset(
                "content", (0,), np.uint8, maxshape=(None,), chunks=(CHUNK_BYTES,), compression="gzip",
                compression_opts=1,
            )  # fmt: skip
        self._data = sources["content"]
        self.size = int(self._data.size)
        full = self.size // CHUNK_BYTES * CHUNK_BYTES
        self._begun = bytearray(layout.read_array(self._data, slice(full, None)).tobytes())
        self._thread = ThreadPoolExecutor(1)  # zlib lets other threads run
        self._waiting: deque[tuple[int, Future[bytes]]] = deque()  # where a chunk begins, and what it shrinks to

    def add(self, piece: bytes | memoryview) -> None:
        view = memoryview(piece)
        self.size += len(view)
        if self._begun:
            room = CHUNK_BYTES - len(self._begun)
            self._begun += view[:room]
            view = view[room:]
            if len(self._begun) < CHUNK_BYTES:
                return
            self._write(self.size - len(view), [memoryview(self._begun)])
            self._begun = bytearray()
        full = len(view) // CHUNK_BYTES * CHUNK_BYTES
        self._write(self.size - len(view) + full, [view[i : i + CHUNK_BYTES] for i in range(0, full, CHUNK_BYTES)])
        self._begun += view[full:]

    def _write(self, end: int, chunks: list[memoryview]) -> None:
        if not chunks:
            return
        start = end - CHUNK_BYTES * len(chunks)
        self._data.resize(self.size, axis=0)  # never beyond it: HDF5 2.0 fails to shrink onto a chunk stored as is
        gains = len(zlib.compress(chunks[0][:SAMPLE], 1)) + len(zlib.compress(chunks[0][-SAMPLE:], 1)) < 1.6 * SAMPLE
        for number, chunk in enumerate(chunks):
            offset = (start + number * CHUNK_BYTES,)
            if gains:
                self._waiting.append((offset[0], self._thread.submit(zlib.compress, bytes(chunk), 1)))
            else:
                self._data.id.write_direct_chunk(offset, chunk, filter_mask=STORED_AS_IS)

        while len(self._waiting) > WAITING:
            self._write_waiting()

    def _write_waiting(self) -> None:
        start, shrunk = self._waiting.popleft()
        self._data.id.write_direct_chunk((start,), shrunk.result())

    def finish(self) -> None:
        if self._begun:
            padded = bytes(self._begun) + bytes(CHUNK_BYTES - len(self._begun))
            end = self.size - len(self._begun) + CHUNK_BYTES
            self._write(end, [memoryview(padded)])
        while self._waiting:
            self._write_waiting()
        self._thread.shutdown()
