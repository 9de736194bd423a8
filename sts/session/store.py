"""`Session`: one HDF5 file with the sweeps, their original files, the decisions and the calibrations."""

from __future__ import annotations

import difflib
import hashlib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pandas as pd

from sts.loaders import LoadedFile
from sts.session import layout
from sts.session.change import SessionError, changing
from sts.sweeps import SweepSet

SOURCE_COLUMNS = ("name", "sha256", "size", "reader", "recipe", "imported", "sweeps")


@dataclass(frozen=True)
class ImportResult:
    """What an import did."""

    added: list[str] = field(default_factory=list)  # names of files
    repeated: list[str] = field(default_factory=list)  # files that were there already
    left_out: list[tuple[str, str]] = field(default_factory=list)  # (file, why)
    notes: list[str] = field(default_factory=list)
    conflicts: list[str] = field(default_factory=list)  # header against logbook
    sweeps: int = 0  # sweeps added


@dataclass(frozen=True)
class Session:
    """A session file. Nothing is kept open: every call opens, reads and closes."""

    path: Path

    @classmethod
    def create(cls, path: str | Path) -> Session:
        """Make a new, empty session.

        Raises
        ------
        SessionError
            If the file exists or the folder cannot be written.
        """
        path = Path(path)
        if path.exists():
            raise SessionError(f"{path}: exists already. Open it, or choose another name.")
        with changing(path, create=True) as file:
            layout.prepare(file)
        return cls(path)

    @classmethod
    def open(cls, path: str | Path) -> Session:
        """Open a session.

        Raises
        ------
        SessionError
            If there is none, it is something else, it is damaged, or a newer version of sts wrote it.
        """
        session = cls(Path(path))
        with session._reading():
            pass
        return session

    @contextmanager
    def _reading(self) -> Iterator[h5py.File]:
        if not self.path.is_file():
            raise SessionError(
                f"{self.path}: there is no such session. 'sts import FILES --into {self.path.name}' makes one."
            )
        try:
            file = h5py.File(self.path, "r")
        except OSError as error:
            raise SessionError(self._why_not(error)) from error
        try:
            version = file.attrs.get("sts_format")
            if version is None:
                raise SessionError(
                    f"{self.path}: is an HDF5 file but not a session of sts. Import its data with a recipe instead."
                )
            if version > layout.FORMAT:
                raise SessionError(
                    f"{self.path}: was written by a newer sts (session format {version}; this one reads up to "
                    f"{layout.FORMAT}). Update sts."
                )
            try:
                yield file
            except (OSError, KeyError, RuntimeError) as error:
                if isinstance(error, SessionError):
                    raise
                raise SessionError(
                    f"{self.path}: is damaged inside ({str(error).splitlines()[0]}). "
                    f"'sts rescue {self.path.name} --out NEW.h5' saves what can still be read."
                ) from error
        finally:
            file.close()

    def _why_not(self, error: OSError) -> str:
        text = str(error)
        if "lock" in text or getattr(error, "errno", None) in (11, 35):
            return f"{self.path}: is open for writing in another program. Close it there and try again."
        if isinstance(error, PermissionError):
            return f"{self.path}: may not be read ({error.strerror}). Ask for the right to read it."
        with self.path.open("rb") as stream:
            start = stream.read(8)
        if start == b"\x89HDF\r\n\x1a\n":
            return (
                f"{self.path}: is a damaged HDF5 file ({text.splitlines()[0]}). "
                f"'sts rescue {self.path.name} --out NEW.h5' saves what can still be read."
            )
        return f"{self.path}: is not a session (an HDF5 file was expected). Give a file made by 'sts import'."

    # --- reading -------------------------------------------------------------------------------------------------

    def sweeps(self, kind: str | None = None) -> pd.DataFrame:
        """One row a sweep: `kind`, `set`, `points`, then the columns of the table. Reads no current."""
        parts = []
        with self._reading() as file:
            for name in layout.set_names(file, kind):
                group = file["entry"][name]
                table = layout.read_table(group)
                table.insert(1, "kind", name[:2])
                table.insert(2, "set", name)
                table.insert(3, "points", group["current"].shape[1])
                parts.append(table)
        if not parts:
            return layout_columns()
        merged = pd.concat(parts, ignore_index=True)
        for column in merged.columns:
            if not pd.api.types.is_numeric_dtype(merged[column]):
                merged[column] = merged[column].astype(object).where(merged[column].notna(), "")
        return merged

    def sets(
        self,
        kind: str | None = None,
        *,
        tip: str | None = None,
        site: str | None = None,
        sample: str | None = None,
        sweeps: Sequence[str] | None = None,
    ) -> list[SweepSet]:
        """The sets of sweeps, narrowed by kind, tip, site, sample or names.

        Raises
        ------
        SessionError
            If nothing in the session has that name; the text lists what there is.
        """
        wanted = {"tip": tip, "site": site, "sample": sample}
        table = self.sweeps(kind)
        for column, value in wanted.items():
            known = sorted(set(table[column]) - {""})
            if value is not None and value not in known:
                raise SessionError(f"no such {column} '{value}'; this session has {', '.join(known) or 'none named'}.")
        if sweeps is not None:
            self._known(table, sweeps)
        found = []
        with self._reading() as file:
            for name in layout.set_names(file, kind):
                part = table[table["set"] == name].reset_index(drop=True)
                chosen = np.ones(len(part), bool)
                for column, value in wanted.items():
                    if value is not None:
                        chosen &= (part[column] == value).to_numpy(bool)
                if sweeps is not None:
                    chosen &= part["sweep"].isin(list(sweeps)).to_numpy(bool)
                if chosen.any():
                    rows = None if chosen.all() else np.flatnonzero(chosen)
                    found.append(layout.read_set(file["entry"][name], name[:2], rows))
        return found

    def decisions(self) -> pd.DataFrame:
        """Every decision ever taken, in order: `time`, `sweep`, `action`, `why`."""
        with self._reading() as file:
            return layout.read_log(file, "decisions")

    def current_decisions(self) -> dict[str, tuple[str, str]]:
        """The decision in force for each sweep that has one: (``"omit"`` or ``"keep"``, why)."""
        standing: dict[str, list[tuple[str, str]]] = {}
        for row in self.decisions().itertuples():
            stack = standing.setdefault(row.sweep, [])
            if row.action != "undo":
                stack.append((row.action, row.why))
            elif stack:
                stack.pop()
        return {sweep: stack[-1] for sweep, stack in standing.items() if stack}

    def calibrations(self) -> pd.DataFrame:
        """Every calibration stored, in order; the last of a kind is in force."""
        with self._reading() as file:
            return layout.read_log(file, "calibrations")

    def sources(self) -> pd.DataFrame:
        """The imported files: `name`, `sha256`, `size`, `reader`, `recipe`, `imported`, `sweeps`."""
        with self._reading() as file:
            rows = [{c: group.attrs[c] for c in SOURCE_COLUMNS} for group in _source_groups(file)]
        return pd.DataFrame(rows, columns=list(SOURCE_COLUMNS))

    def original(self, name: str) -> bytes:
        """The bytes of an imported file, as they were.

        Raises
        ------
        SessionError
            If no file of that name was imported, or its bytes no longer have the hash stored with them.
        """
        with self._reading() as file:
            for group in _source_groups(file):
                if group.attrs["name"] == name:
                    return _content(group, self.path)
            known = [str(group.attrs["name"]) for group in _source_groups(file)]
        raise SessionError(f"no file '{name}' was imported{_close(name, known)}.")

    # --- changing ------------------------------------------------------------------------------------------------

    def add(self, files: Sequence[LoadedFile], *, now: datetime | None = None) -> ImportResult:
        """Add files: one change for all of them; what is there already (by content and recipe) is not added again.

        Names of sweeps are made unique in the session (``-2``, ``-3`` ...). Raw numbers are never changed later.
        """
        result = ImportResult()
        added = 0
        with changing(self.path) as file:
            self._writable(file)
            there = {(str(g.attrs["sha256"]), str(g.attrs["recipe"])) for g in _source_groups(file)}
            file_names = {str(g.attrs["name"]) for g in _source_groups(file)}
            sweep_names = {
                name for s in layout.set_names(file) for name in file["entry"][s]["name"].asstr()[...]
            }  # fmt: skip
            waiting: list[SweepSet] = []
            for loaded in files:
                key = (hashlib.sha256(loaded.content).hexdigest(), loaded.recipe)
                if key in there:
                    result.repeated.append(loaded.name)
                    continue
                there.add(key)
                name = _unique(loaded.name, file_names, suffix=True)
                renamed = [_renamed(part, name, sweep_names) for part in loaded.sets]
                waiting += renamed
                count = sum(len(part) for part in loaded.sets)
                _store_source(file, loaded, name=name, sha256=key[0], sweeps=count, time=_time(now))
                result.added.append(loaded.name)
                result.notes.extend(f"{loaded.name}: {note}" for note in loaded.notes)
                added += count
            for part in _stacked(waiting):
                layout.add_sweeps(file, part)
        return replace(result, sweeps=added)

    def mark(self, sweeps: Sequence[str], action: str, why: str = "", *, now: datetime | None = None) -> None:
        """Decide about sweeps: ``"omit"``, ``"keep"`` or ``"undo"``; the log only grows.

        Raises
        ------
        SessionError
            If a name is unknown, the action is, or a reason is missing.
        """
        if action not in ("omit", "keep", "undo"):
            raise SessionError(f"'{action}' is not a decision; use omit, keep or undo.")
        if not why.strip() and action != "undo":
            raise SessionError(f'A decision needs a reason; say --why "…" for {action}.')
        self._known(self.sweeps(), sweeps)
        if action == "undo":
            standing = self.current_decisions()
            for sweep in sweeps:
                if sweep not in standing:
                    raise SessionError(f"There is no decision on '{sweep}' to take back.")
        with changing(self.path) as file:
            self._writable(file)
            rows = [{"time": _time(now), "sweep": sweep, "action": action, "why": why} for sweep in sweeps]
            layout.append_log(file, "decisions", rows)

    def add_calibration(
        self,
        kind: str,
        *,
        factor: float,
        factor_se: float,
        measured: float,
        known: float,
        source: str,
        now: datetime | None = None,
    ) -> None:
        """Store a scale: true = factor × nominal, for ``"height"`` or ``"current"``.

        Raises
        ------
        SessionError
            If the kind is unknown or the factor not positive.
        """
        if kind not in ("height", "current"):
            raise SessionError(f"'{kind}' cannot be calibrated; use height or current.")
        if not factor > 0 or not factor_se >= 0:
            raise SessionError(
                f"The factor must be positive and its uncertainty not negative; got {factor} ± {factor_se}."
            )
        row = {
            "kind": kind,
            "factor": factor,
            "factor_se": factor_se,
            "measured": measured,
            "known": known,
            "source": source,
            "time": _time(now),
        }
        with changing(self.path) as file:
            self._writable(file)
            layout.append_log(file, "calibrations", [row])

    def _writable(self, file: h5py.File) -> None:
        version = file.attrs.get("sts_format")
        if version != layout.FORMAT:
            raise SessionError(
                f"{self.path}: cannot be changed by this version of sts (session format {version}, this one writes "
                f"{layout.FORMAT})."
            )

    def _known(self, table: pd.DataFrame, sweeps: Sequence[str]) -> None:
        names = list(table["sweep"])
        for sweep in sweeps:
            if sweep not in set(names):
                raise SessionError(f"no such sweep '{sweep}'{_close(sweep, names)}.")


def layout_columns() -> pd.DataFrame:
    """The empty table of a session without sweeps."""
    from sts.sweeps import COLUMNS

    columns = [COLUMNS[0], "kind", "set", "points", *COLUMNS[1:]]
    return pd.DataFrame({column: pd.Series(dtype=object) for column in columns})


def _close(name: str, known: Sequence[str]) -> str:
    close = difflib.get_close_matches(name, known, n=3)
    return f"; near to it: {', '.join(close)}" if close else "; 'sts list' shows what there is"


def _time(now: datetime | None) -> str:
    return (now or datetime.now(UTC)).astimezone(UTC).isoformat(timespec="seconds")


def _source_groups(file: h5py.File) -> list[h5py.Group]:
    sources = file["entry"]["sources"]
    return [sources[key] for key in sorted(sources)]


def _store_source(file: h5py.File, loaded: LoadedFile, *, name: str, sha256: str, sweeps: int, time: str) -> None:
    sources = file["entry"]["sources"]
    group = sources.create_group(f"file_{len(sources) + 1:06d}")
    group.attrs["NX_class"] = "NXnote"
    values: dict[str, Any] = {
        "name": name,
        "sha256": sha256,
        "size": len(loaded.content),
        "reader": loaded.reader,
        "recipe": loaded.recipe,
        "imported": time,
        "sweeps": sweeps,
    }
    group.attrs.update(values)
    data = np.frombuffer(loaded.content, np.uint8)
    if data.size:
        group.create_dataset(
            "data", data=data, chunks=(min(data.size, 1 << 20),), compression="gzip", compression_opts=1
        )  # fmt: skip
    else:
        group.create_dataset("data", data=data)


def _content(group: h5py.Group, path: Path) -> bytes:
    content: bytes = group["data"][...].tobytes()
    if hashlib.sha256(content).hexdigest() != group.attrs["sha256"]:
        raise SessionError(f"{path}: the stored copy of '{group.attrs['name']}' is damaged: its hash does not match.")
    return content


def _unique(name: str, taken: set[str], *, suffix: bool = False) -> str:
    stem, dot, ending = name.rpartition(".") if suffix and "." in name else (name, "", "")
    unique, number = name, 1
    while unique in taken:
        number += 1
        unique = f"{stem}-{number}{dot}{ending}"
    taken.add(unique)
    return unique


def _renamed(part: SweepSet, source: str, taken: set[str]) -> SweepSet:
    table = part.table.copy()
    table["sweep"] = pd.Series([_unique(name, taken) for name in part.names], dtype=object)
    table["source"] = pd.Series([source] * len(table), dtype=object)
    return replace(part, table=table)


def _stacked(parts: Sequence[SweepSet]) -> list[SweepSet]:
    """Join sets that belong together before they are written: one write of many rows, not many of one."""
    groups: dict[Any, list[SweepSet]] = {}
    for part in parts:
        key = (part.kind, part.axis.tobytes(), part.lockin is None, part.lockin_unit, part.has_current)
        groups.setdefault(key, []).append(part)
    return [_join(group) for group in groups.values()]


def _join(parts: Sequence[SweepSet]) -> SweepSet:
    if len(parts) == 1:
        return parts[0]
    table = pd.concat([part.table for part in parts], ignore_index=True)
    lockin = None if parts[0].lockin is None else np.concatenate([p.lockin for p in parts if p.lockin is not None])
    return replace(parts[0], current=np.concatenate([part.current for part in parts]), table=table, lockin=lockin)
