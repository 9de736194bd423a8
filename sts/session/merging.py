"""Bringing what one session holds into another, in one change."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path

import h5py
import numpy as np
import pandas as pd

from sts.selection import standing_decisions
from sts.session import layout, tables
from sts.session.adding import ImportResult
from sts.session.change import changing, reading
from sts.session.tables import SessionError
from sts.session.writer import Writer

Place = tuple[str, str, int]  # what identifies a sweep in any session: content, recipe, and which sweep of the file


def merge(into: str | Path, other: str | Path) -> ImportResult:
    """Add the files, sweeps and decisions of `other` to `into`; `other` is left as it is.

    Files that both hold (same content, same recipe) are added once. A decision comes along unless `into` has decided
    about the same sweep; what stands then is said in `conflicts`, like calibrations, which are never taken over: they
    would change results of sweeps they were not made for.

    Parameters
    ----------
    into, other : path
        Of the sessions.

    Returns
    -------
    ImportResult
        Names of the files added, of those that were there, notes and conflicts.

    Raises
    ------
    SessionError
        If one of the two is no usable session, or both are the same file.

    Examples
    --------
    >>> for name, volts in (("a", 1.0), ("b", 2.0)):
    ...     made = sts.simulate_iv(bias=(-volts, volts, 11), tip="heron").sweeps
    ...     np.savez(f"{name}.npz", bias_V=made.axis, current_A=made.current)
    ...     _ = sts.import_files([f"{name}.npz"], f"{name}.h5")
    >>> sts.merge("a.h5", "b.h5").added
    ['b.npz']
    >>> sts.merge("a.h5", "b.h5").repeated
    ['b.npz']
    """
    into, other = Path(into), Path(other)
    if into.exists() and other.exists() and into.samefile(other):
        raise SessionError(f"{into}: cannot be merged with itself. Name another session.")
    result = ImportResult()
    with changing(into) as change, reading(other) as donor:
        with reading(into) as file:
            have = tables.read_log(file, "sources")
            here = {place: name for name, place in _places(file, have).items()}
            decided = standing_decisions(tables.read_log(file, "decisions"))
            looked = tables.read_log(file, "looked")
            scales = tables.read_log(file, "calibrations")
            notes = tables.read_log(file, "annotations")
        theirs = tables.read_log(donor, "sources")
        keys = set(_keys(have))
        new = np.array([key not in keys for key in _keys(theirs)], bool)
        result.added.extend(theirs["name"][new])
        result.repeated.extend(theirs["name"][~new])
        names = {old: here[place] for old, place in _places(donor, theirs).items() if place in here}
        copied: dict[str, str] = {}
        if new.any():
            writer = Writer(change.file())
            numbers = _copy_sources(writer, donor, theirs[new], result)
            copied = dict(_copy_sweeps(writer, donor, numbers))
            names.update(copied)
            writer.finish()
            renamed = [(old, found) for old, found in names.items() if old != found]
            if renamed:
                result.notes.append(
                    f"{len(renamed)} sweeps of {other.name} have another name here, as theirs was taken: "
                    f"'{renamed[0][0]}' is '{renamed[0][1]}', and so on."
                )
            history = _renamed(tables.read_log(donor, "annotations"), copied)
            first = int(notes["number"].max()) if len(notes) else 0
            tables.append_log(change.file(), "annotations", history.assign(number=history["number"] + first))
        log = tables.read_log(donor, "decisions")
        rows = _renamed(log, {old: name for old, name in names.items() if name not in decided})
        if len(rows):
            tables.append_log(change.file(), "decisions", rows)
        seen = set(looked["sweep"])
        rows = _renamed(
            tables.read_log(donor, "looked"), {old: name for old, name in names.items() if name not in seen}
        )
        if len(rows):
            tables.append_log(change.file(), "looked", rows)
        for old, (action, why) in standing_decisions(log).items():
            mine = decided.get(names.get(old, ""))
            if mine and mine != (action, why):
                result.conflicts.append(
                    f"{names[old]}: {other.name} says {action} ('{why}'), here it is {mine[0]} ('{mine[1]}'), which "
                    "stands."
                )
        for row in tables.read_log(donor, "calibrations").drop_duplicates("kind", keep="last").itertuples():
            own = scales.loc[scales["kind"] == row.kind, "factor"]
            if own.empty or own.iloc[-1] != row.factor:
                result.conflicts.append(
                    f"{other.name} has a {row.kind} calibration (factor {row.factor:g} ± {row.factor_se:g}), not "
                    "taken over, since it would apply to every sweep here. Store it with 'sts calibrate' if it does."
                )
    return replace(result, sweeps=len(copied))


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


def _copy_sources(
    writer: Writer, donor: h5py.File, theirs: pd.DataFrame, result: ImportResult
) -> dict[int, tuple[int, str]]:
    """Copy files; return the new number and name for each old number."""
    numbers = {}
    for old, source in zip(theirs.index.tolist(), theirs.to_dict("records"), strict=True):
        row = {str(column): value for column, value in source.items() if column != "offset"}
        content = writer.add_content(layout.content_pieces(donor, source))
        numbers[old] = writer.add_source(offset=content, **row)
        if numbers[old][1] != row["name"]:
            result.notes.append(f"{row['name']}: another file of that name is there; kept as '{numbers[old][1]}'.")
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
