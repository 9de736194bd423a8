"""Bringing what sessions hold into another, in one change: files, sweeps, decisions, and the calibrations of their own sweeps."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

import h5py
import numpy as np
import pandas as pd

from sts.naming import unique
from sts.selection import standing_calibration, standing_decisions
from sts.session import layout, originals, tables
from sts.session.adding import ImportResult
from sts.session.change import changing, reading
from sts.session.tables import SessionError
from sts.session.writer import Writer

Place = tuple[str, str, int]  # what identifies a sweep in any session: content, recipe, and which sweep of the file


def merge(into: str | Path, *others: str | Path, create: bool = False) -> ImportResult:
    """Add the files, sweeps and decisions of other sessions to `into`, all or nothing; the others are left as they are.

    Files that are there already (same content, same recipe) are added once. A decision comes along unless one stands about the same
    sweep; what stands then is said in `conflicts`. Each file keeps the name of the session that it came from: sites of one name in
    two sessions are two sites, and a calibration holds for the sweeps of its own session only.

    Parameters
    ----------
    into : path
        Of the session that is added to.
    *others : path
        Of the sessions that are brought in, one or more.
    create : bool
        Whether `into` is made if it is not there.

    Returns
    -------
    ImportResult
        Names of the files added, of those that were there; one note for each session brought in; conflicts.

    Raises
    ------
    SessionError
        If one of them is no usable session, or is named twice.

    Examples
    --------
    >>> for name, volts in (("a", 1.0), ("b", 2.0)):
    ...     made = sts.simulate_iv(bias=(-volts, volts, 11), tip="heron").sweeps
    ...     np.savez(f"{name}.npz", bias_V=made.axis, current_A=made.current)
    ...     _ = sts.import_files([f"{name}.npz"], f"{name}.h5")
    >>> sts.merge("all.h5", "a.h5", "b.h5", create=True).added
    ['a.npz', 'b.npz']
    >>> sts.merge("a.h5", "b.h5").added
    ['b.npz']
    >>> sts.merge("a.h5", "b.h5").repeated
    ['b.npz']
    """
    paths = [Path(one) for one in (into, *others)]
    for number, path in enumerate(paths):
        if any(path.exists() and one.exists() and path.samefile(one) for one in paths[:number]):
            raise SessionError(f"{path}: cannot be merged with itself. Name another session.")
    target, stems = paths.pop(0), Counter(path.stem for path in paths)
    parts = []
    with changing(target, create=create) as change:
        for path in paths:
            with reading(path) as donor:
                name = path.stem if stems[path.stem] == 1 else f"{path.absolute().parent.name}/{path.stem}"
                parts.append(_Merging(change.file(), donor, path.name, name).run())
            change.file().flush()
        days = layout.sweep_days(change.file())
        for part in parts:
            part.result.notes.append(part.words(days))
        if not any(part.changed for part in parts):
            change.discard()
    whole = ImportResult(sweeps=sum(len(part.copied) for part in parts))
    for name in ("added", "repeated", "notes", "conflicts"):
        getattr(whole, name).extend(item for part in parts for item in getattr(part.result, name))
    return whole


@dataclass
class _Merging:
    """One session on its way into an open one."""

    file: h5py.File
    donor: h5py.File
    label: str  # of the session brought in: the name of its file
    session: str  # what its own files are said to come from
    result: ImportResult = field(default_factory=ImportResult)
    changed: bool = False
    clauses: list[str] = field(default_factory=list)  # of the note about it
    copied: dict[str, str] = field(default_factory=dict)  # sweeps added: name there and here

    def run(self) -> _Merging:
        """Bring everything over."""
        have, theirs = tables.read_log(self.file, "sources"), tables.read_log(self.donor, "sources")
        here = {place: name for name, place in _places(self.file, have).items()}
        keys = set(_keys(have))
        new = np.array([key not in keys for key in _keys(theirs)], bool)
        self.result.added.extend(theirs["name"][new])
        self.result.repeated.extend(theirs["name"][~new])
        names = {old: here[place] for old, place in _places(self.donor, theirs).items() if place in here}
        origins = _origins(have, theirs, self.session)
        if new.any():
            names.update(self._copy(theirs[new], origins))
        self._logs(names)
        self._calibrations(origins, have, theirs)
        return self

    def words(self, days: Mapping[str, str]) -> str:
        """What came, in one line.

        Parameters
        ----------
        days : mapping
            The day of each sweep of the merged session by its name.
        """
        added, repeated = len(self.result.added), len(self.result.repeated)
        first = "nothing new"
        if added:
            found = [day for day in dict.fromkeys(days.get(name, "") for name in self.copied.values()) if day]
            when = f" ({'day' if len(found) == 1 else 'days'} {', '.join(found)})" if found else ""
            first = f"{_number(added, 'file')} with {_number(len(self.copied), 'sweep')} added{when}"
        there = [f"{_number(repeated, 'file')} there already"] if repeated else []
        return f"{self.label}: {'; '.join([first, *there, *self.clauses])}."

    def _append(self, log: str, rows: pd.DataFrame) -> None:
        if len(rows):
            tables.append_log(self.file, log, rows)
            self.changed = True

    def _copy(self, theirs: pd.DataFrame, origins: Mapping[str, str]) -> dict[str, str]:
        """Copy files with their sweeps; return old and new name of each."""
        self.changed = True
        notes = tables.read_log(self.file, "annotations")
        writer = Writer(self.file)
        theirs = theirs.assign(session=theirs["session"].map(origins))
        numbers = _copy_sources(writer, self.donor, theirs)
        self.copied = dict(_copy_sweeps(writer, self.donor, numbers))
        writer.finish()
        renamed = {old: found for old, (_, found) in zip(theirs["name"], numbers.values(), strict=True)}
        for unit, found in (("file", renamed), ("sweep", self.copied)):
            apart = [(old, name) for old, name in found.items() if old != name]
            if apart:
                self.clauses.append(
                    f"{_number(len(apart), unit)} renamed, as the name was taken ('{apart[0][0]}' is '{apart[0][1]}')"
                )
        history = _renamed(tables.read_log(self.donor, "annotations"), self.copied)
        first = int(notes["number"].max()) if len(notes) else 0
        self._append("annotations", history.assign(number=history["number"] + first))
        return self.copied

    def _logs(self, names: Mapping[str, str]) -> None:
        """Decisions and looks, of sweeps without one; what stands where both decided is said."""
        decided = standing_decisions(tables.read_log(self.file, "decisions"))
        log = tables.read_log(self.donor, "decisions")
        self._append("decisions", _renamed(log, {old: name for old, name in names.items() if name not in decided}))
        seen = set(tables.read_log(self.file, "looked")["sweep"])
        looked = tables.read_log(self.donor, "looked")
        self._append("looked", _renamed(looked, {old: name for old, name in names.items() if name not in seen}))
        for old, (action, why) in standing_decisions(log).items():
            mine = decided.get(names.get(old, ""))
            if mine and mine != (action, why):
                self.result.conflicts.append(
                    f"{names[old]}: {self.label} says {action} ('{why}'), here it is {mine[0]} ('{mine[1]}'), which "
                    "stands."
                )
        if self.result.conflicts:
            self.clauses.append(f"{_number(len(self.result.conflicts), 'decision')} in conflict")

    def _calibrations(self, origins: Mapping[str, str], have: pd.DataFrame, theirs: pd.DataFrame) -> None:
        """Calibrations come with the files of their session; files that are there already keep the scale they have."""
        here, log = (tables.read_log(file, "calibrations") for file in (self.file, self.donor))
        come = set(tables.read_log(self.file, "sources")["session"])
        rows = log[log["session"].map(origins).isin(come - {""})]
        rows = rows.assign(session=rows["session"].map(origins))
        known = set(here.astype(str).itertuples(index=False, name=None))
        rows = rows[[row not in known for row in rows[list(here)].astype(str).itertuples(index=False, name=None)]]
        self._append("calibrations", rows)
        if len(rows):
            self.clauses.append(
                ", ".join(f"{row.kind} calibration ({row.factor:g} ± {row.factor_se:g})"
                          for row in rows.drop_duplicates(["kind", "session"], keep="last").itertuples())
                + " taken over for its own sweeps"
            )  # fmt: skip
        here = tables.read_log(self.file, "calibrations")
        own = dict(zip(_keys(have), have["session"], strict=True))
        pairs = zip(_keys(theirs), theirs["session"], strict=True)
        shared = dict.fromkeys((own[key], session) for key, session in pairs if key in own)
        for kind in log["kind"].unique():
            for mine, other in shared:
                row, stands = standing_calibration(log, kind, other), standing_calibration(here, kind, mine)
                if row is not None and (stands is None or stands["factor"] != row["factor"]):
                    factor = "no factor" if stands is None else f"the factor {stands['factor']:g}"
                    self.result.conflicts.append(
                        f"{self.label} has a {kind} calibration (factor {row['factor']:g} ± {row['factor_se']:g}); its files that "
                        f"were here already keep {factor}. Store it here with 'sts calibrate' if it holds for them."
                    )


def _number(count: int, unit: str) -> str:
    return f"{count} {unit}{'' if count == 1 else 's'}"


def _origins(have: pd.DataFrame, theirs: pd.DataFrame, session: str) -> dict[str, str]:
    """What each session that `theirs` came from is called here: the same where it was brought in before, else a name of its own."""
    taken = dict.fromkeys([name for name in have["session"] if name], 1)
    keys: dict[str, set[tuple[str, str]]] = {}
    for key, name in zip(_keys(have), have["session"], strict=True):
        keys.setdefault(name, set()).add(key)
    found = {"": session}
    for old in dict.fromkeys(["", *theirs["session"]]):
        name = old or session
        own = {key for key, one in zip(_keys(theirs), theirs["session"], strict=True) if one == old}
        if not own:
            continue
        known = [one for one in taken if (one == name or one.startswith(f"{name}-")) and keys[one] & own]
        found[old] = known[0] if known else unique(name, taken)
        keys.setdefault(found[old], set()).update(own)
    return found


def identities(path: str | Path) -> pd.DataFrame:
    """Where each sweep of a session came from, by which it is known in any other session; no current is read.

    Parameters
    ----------
    path : path

    Returns
    -------
    pandas.DataFrame
        One row per sweep: `sweep`, `kind`, `sample`, `tip`, `day` as `Session.sweeps` and `Session.days` give them; `sha256` of the
        file that it was read from, and `place`, which sweep of that file it is.

    Raises
    ------
    SessionError
        If there is no session, or it cannot be read.
    """
    columns = ["sweep", "sample", "tip"]
    parts = []
    with reading(Path(path)) as file:
        hashes, days = tables.read_log(file, "sources")["sha256"].to_numpy(object), layout.sweep_days(file)
        for stored in layout.stored_sets(file):
            known = tables.read_table(stored.group, columns)
            table = pd.DataFrame({c: known.get(c, "") for c in columns}, index=range(len(stored.files)))
            table = table.assign(kind=stored.kind, day=table["sweep"].map(days))
            parts.append(table.assign(sha256=hashes[stored.files], place=stored.places))
    nothing = pd.DataFrame(columns=[*columns, "kind", "day", "sha256", "place"])
    return pd.concat(parts, ignore_index=True) if parts else nothing


def _keys(sources: pd.DataFrame) -> list[tuple[str, str]]:
    return list(zip(sources["sha256"], sources["recipe"], strict=True))


def _places(file: h5py.File, sources: pd.DataFrame) -> dict[str, Place]:
    """Each sweep's name to what identifies it."""
    keys = _keys(sources)
    return {
        sweep: (*keys[i], k)
        for stored in layout.stored_sets(file)
        for sweep, i, k in zip(stored.table["sweep"], stored.files.tolist(), stored.places.tolist(), strict=True)
    }


def _renamed(log: pd.DataFrame, names: Mapping[str, str]) -> pd.DataFrame:
    """The rows of a log about these sweeps, under their new names."""
    rows = log[log["sweep"].isin(names)]
    return rows.assign(sweep=rows["sweep"].map(names))


def _copy_sources(writer: Writer, donor: h5py.File, theirs: pd.DataFrame) -> dict[int, tuple[int, str]]:
    """Copy files; return the new number and name for each old number."""
    numbers = {}
    for old, source in zip(theirs.index.tolist(), theirs.to_dict("records"), strict=True):
        row = {str(column): value for column, value in source.items() if column != "offset"}
        content = writer.add_content(originals.content_pieces(originals.stored_contents(donor), source))
        numbers[old] = writer.add_source(offset=content, **row)
    return numbers


def _copy_sweeps(writer: Writer, donor: h5py.File, numbers: dict[int, tuple[int, str]]) -> Iterator[tuple[str, str]]:
    """Copy the sweeps of these files block by block; yield old and new name of each."""
    for stored in layout.stored_sets(donor):
        table = tables.read_table(stored.group)
        wanted = np.flatnonzero(np.isin(stored.files, list(numbers)))
        for block in layout.blocks((len(wanted), stored.signal.shape[1])):
            rows = wanted[block]
            number, name = zip(*(numbers[i] for i in stored.files[rows].tolist()), strict=True)
            part = stored.read(rows, table=table)
            part = part.with_table(part.table.assign(source=pd.Series(name, dtype=object)))
            yield from zip(part.names, writer.add(part, source=number, place=stored.places[rows]), strict=True)
