"""Adding files and sweeps to an open session file, in blocks, so that memory does not grow with the session."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

import h5py
import numpy as np
import pandas as pd

from sts.naming import unique
from sts.session import layout, tables
from sts.session.copies import KnownSweeps, Numbers, keys_of, relation
from sts.session.originals import CHUNK_BYTES, Originals
from sts.session.tables import KEYS, PLACE, SOURCE, read_array
from sts.sweeps import AXIS_UNITS, COLUMNS, KINDS, SweepSet

SMALL_SET = 8 << 20  # [bytes] below, a set that grows is written anew, with chunks that suit its new size


@dataclass
class _OpenSet:
    """A set that new sweeps may join, and what waits to be written to it."""

    stored: layout.StoredSet
    text: dict[str, bool]  # the user's own columns: whether they are text
    tables: list[Mapping[str, np.ndarray]] = field(default_factory=list)  # of all added, with source_index and _row
    keys: list[np.ndarray] = field(default_factory=list)  # of all added
    waiting: list[SweepSet] = field(default_factory=list)
    waiting_bytes: int = 0
    before: int = 0  # sweeps it had when it was opened
    written: int = 0  # sweeps whose numbers are in the file
    total: int = 0  # those and the waiting

    @classmethod
    def of(cls, stored: layout.StoredSet, table: pd.DataFrame) -> _OpenSet:
        """One that is in the file, with its table."""
        text = {str(c): tables.is_text(table[c]) for c in table.columns if c not in COLUMNS}
        return cls(stored, text, before=len(table), written=len(table), total=len(table))

    @property
    def key(self) -> Any:
        """What sweeps must share with it to join."""
        has_current = self.stored.group.attrs["signal"] == "current"
        lockin = "lockin" in self.stored.group
        return self.stored.kind, self.stored.axis.tobytes(), lockin, self.stored.lockin_unit, has_current

    @property
    def stored_keys(self) -> np.ndarray:
        """The keys of the sweeps in the file; those of sessions of an earlier version are made anew."""
        if KEYS in self.stored.group and len(self.stored.group[KEYS]) == self.before:
            return read_array(self.stored.group[KEYS])
        axis, data = self.stored.axis, self.stored.signal
        blocks = list(layout.blocks((self.before, axis.size))) if self.before else []
        parts = [keys_of(axis, read_array(data, block)) for block in blocks]
        return np.concatenate(parts) if parts else np.zeros((0, 2), np.uint64)

    def numbers(self, row: int) -> Numbers:
        """The numbers of one of its sweeps, from the file or from what waits."""
        if row < self.written:
            return Numbers(self.stored.kind, self.stored.axis, read_array(self.stored.signal, row))
        row -= self.written
        for part in self.waiting:
            if row < len(part):
                return Numbers(part.kind, part.axis, part.signal[row])
            row -= len(part)
        raise IndexError(row)

    def name(self, row: int) -> str:
        """The name of one of its sweeps."""
        if row < self.before:
            return str(tables.read_table(self.stored.group)["sweep"].iloc[row])
        return str(np.concatenate([table["sweep"] for table in self.tables])[row - self.before])

    def write_waiting(self) -> None:
        """Write the numbers that wait."""
        waiting, self.waiting, self.waiting_bytes = self.waiting, [], 0
        self.written += sum(map(len, waiting))
        if not waiting:
            return
        if self.stored.group.attrs["signal"] == "current":
            _append(self.stored.group, "current", [part.current for part in waiting], "A")
        if waiting[0].lockin is not None:
            lockin = [part.lockin for part in waiting if part.lockin is not None]
            _append(self.stored.group, "lockin", lockin, waiting[0].lockin_unit)

    def write_tables(self) -> None:
        """Write what is known of the sweeps that were added, and their keys."""
        group = self.stored.group
        added = _joined(self.tables)
        for column in (SOURCE, PLACE):
            values = added.pop(column).astype(np.int64)
            _replace(group, column, np.concatenate([read_array(group[column]), values]) if column in group else values)
        _replace(group, KEYS, np.concatenate([self.stored_keys, *self.keys]))
        table = layout.known_part(pd.DataFrame(added))
        if "datasets" in group.attrs:
            table = tables.join_tables([tables.read_table(group), table])
        tables.write_table(group, table)
        _replace(group, "sweep", np.arange(1, len(table) + 1))


def _replace(group: h5py.Group, name: str, values: np.ndarray) -> None:
    if name in group:
        del group[name]
    tables.write_array(group, name, values)


class Writer:
    """Adds to a session; `finish` must be called once, at the end."""

    def __init__(self, file: h5py.File) -> None:
        self._file = file
        self._sets: dict[Any, list[_OpenSet]] = {}
        self._numbers = dict.fromkeys(KINDS, 0)
        self.sweep_names: dict[str, int] = {}
        for stored in layout.stored_sets(file):
            table = tables.read_table(stored.group)
            self.sweep_names.update(dict.fromkeys(table["sweep"], 1))
            self._numbers[stored.kind] = int(stored.name[3:])
            found = _OpenSet.of(stored, table)
            self._sets.setdefault(found.key, []).append(found)
        sources = tables.read_log(file, "sources")
        self._sources = len(sources)
        self._new_sources: list[dict[str, Any]] = []
        self._file_names = dict.fromkeys(sources["name"], 1)
        self._content = Originals(file["entry"]["sources"])
        self._last: tuple[SweepSet, np.ndarray] | None = None  # a set and its keys
        self._known: KnownSweeps | None = None  # made when a copy is first asked for

    def find_copies(self, sweeps: SweepSet) -> list[tuple[int, str, str]]:
        """Which of these sweeps are in the session already: row, how (as `relation` says), name of the one that is.

        Parameters
        ----------
        sweeps : SweepSet
            Sweeps of the set itself count, too: the first of two that are alike stays.
        """
        if self._known is None:
            self._known = KnownSweeps()
            for target in (t for same in self._sets.values() for t in same):
                self._known.add(target.stored_keys, ((target, row) for row in range(target.before)))
        signal, keys = sweeps.signal, self._keys_of(sweeps)
        own = KnownSweeps()
        found = []
        for row in range(len(sweeps)):
            places = [*self._known.alike(keys[row]), *own.alike(keys[row])]
            new = Numbers(sweeps.kind, sweeps.axis, signal[row])
            for end, (target, other) in places:
                old = target.numbers(other) if target is not None else Numbers(sweeps.kind, sweeps.axis, signal[other])
                how = relation(new, old, end)
                if how:
                    found.append((row, how, target.name(other) if target is not None else sweeps.names[other]))
                    break
            else:
                if len(sweeps) > 1:
                    own.add(keys[row : row + 1], [(None, row)])
        return found

    def _keys_of(self, sweeps: SweepSet) -> np.ndarray:
        """The keys of a set; it is asked for twice, when copies are looked for and when it is added."""
        if self._last is None or self._last[0] is not sweeps:
            self._last = sweeps, keys_of(sweeps.axis, sweeps.signal)
        return self._last[1]

    def add_content(self, content: Iterable[bytes | memoryview]) -> int:
        """Store the bytes of a file; return where they begin.

        Parameters
        ----------
        content : iterable of bytes
            In pieces.
        """
        offset = self._content.size
        for piece in content:
            self._content.add(piece)
        return offset

    def add_source(self, *, offset: int, **row: Any) -> tuple[int, str]:
        """Store the row of a file in the table; return its number and its name in this session.

        Parameters
        ----------
        offset : int
            Where its bytes begin.
        row
            The other columns of the sources.
        """
        name = unique(str(row["name"]), self._file_names, before_ending=True)
        self._new_sources.append({**row, "name": name, "offset": offset})
        return self._sources + len(self._new_sources) - 1, name

    def add(self, sweeps: SweepSet, *, source: Any, place: Any, source_name: str | None = None) -> list[str]:
        """Add sweeps to the set they fit, else to a new one; return their names, made unique in the session.

        Parameters
        ----------
        sweeps : SweepSet
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
        columns[SOURCE] = np.full(len(names), source)
        columns[PLACE] = np.full(len(names), place)
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
            target.write_waiting()
        return names

    def finish(self) -> None:
        """Write what waits, and the tables."""
        for target in (t for same in self._sets.values() for t in same if t.tables):
            target.write_waiting()
            target.write_tables()
        entry = self._file["entry"]
        names = layout.set_names(self._file)
        if names and "default" not in entry.attrs:
            entry.attrs["default"] = names[0]
        self._content.finish()
        tables.append_log(self._file, "sources", self._new_sources)

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
        name = f"{sweeps.kind}_{self._numbers[sweeps.kind]:03d}"
        group = self._file["entry"].create_group(name)
        axis = KINDS[sweeps.kind]
        group.attrs.update({"NX_class": "NXdata", "signal": "current" if key[-1] else "lockin"})
        group.attrs.create("axes", ["sweep", axis], dtype=tables.TEXT)
        tables.write_array(group, axis, sweeps.axis + 0.0, units=AXIS_UNITS[sweeps.kind])
        same.append(_OpenSet(layout.StoredSet(self._file, name), own))
        return same[-1]


def _append(group: h5py.Group, name: str, parts: list[np.ndarray], units: str) -> None:
    points = parts[0].shape[1]
    if name in group and group[name].nbytes < SMALL_SET:
        parts = [read_array(group[name]), *parts]
        del group[name]
    new = sum(len(part) for part in parts)
    if name not in group:
        data = group.create_dataset(
            name, (new, points), dtype=float, maxshape=(None, points), fletcher32=True, fillvalue=tables.ABSENT,
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
