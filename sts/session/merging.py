"""Bringing what one session holds into another, in one change."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pandas as pd

from sts.selection import standing_decisions
from sts.session import layout
from sts.session.change import changing, reading
from sts.session.layout import SessionError
from sts.session.store import ImportResult
from sts.session.writer import Writer


def merge(into: str | Path, other: str | Path) -> ImportResult:
    """Add the files, sweeps and decisions of `other` to `into`; `other` is left as it is.

    Files that both hold (same content, same recipe) are added once. A decision comes along unless `into` has decided
    about the same sweep; what stands then is said in `conflicts`, like calibrations, which are never taken over: they
    would change results of sweeps they were not made for.

    Raises
    ------
    SessionError
        If one of the two is no usable session, or both are the same file.
    """
    into, other = Path(into), Path(other)
    if into.exists() and other.exists() and into.samefile(other):
        raise SessionError(f"{into}: cannot be merged with itself. Name another session.")
    result = ImportResult()
    with changing(into) as change, reading(other) as donor:
        with reading(into) as file:
            have = layout.read_log(file, "sources")
            places = _places(file, have)
            decided = standing_decisions(layout.read_log(file, "decisions"))
            scales = layout.read_log(file, "calibrations")
        theirs = layout.read_log(donor, "sources")
        keys = set(_keys(have))
        new = np.array([key not in keys for key in _keys(theirs)], bool)
        result.added.extend(theirs["name"][new])
        result.repeated.extend(theirs["name"][~new])
        names = {old: places[place] for old, place in _names(donor, theirs).items() if place in places}
        sweeps = 0
        if new.any():
            writer = Writer(change.file())
            numbers = _copy_sources(writer, donor, theirs, new, result)
            copied = dict(_copy_sweeps(writer, donor, numbers))
            names.update(copied)
            sweeps = len(copied)
            renamed = [(old, found) for old, found in names.items() if old != found]
            if renamed:
                result.notes.append(
                    f"{len(renamed)} sweeps of {other.name} have another name here, as theirs was taken: "
                    f"'{renamed[0][0]}' is '{renamed[0][1]}', and so on."
                )
            writer.finish()
            history = layout.read_log(donor, "annotations")
            layout.append_log(
                change.file(), "annotations", _told_of(history, copied, layout.read_log(change.file(), "annotations"))
            )
        rows = _new_decisions(donor, names, decided, other, result)
        if rows:
            layout.append_log(change.file(), "decisions", rows)
        for row in layout.read_log(donor, "calibrations").drop_duplicates("kind", keep="last").itertuples():
            mine = scales[scales["kind"] == row.kind]
            if mine.empty or mine["factor"].iloc[-1] != row.factor:
                result.conflicts.append(
                    f"{other.name} has a {row.kind} calibration (factor {row.factor:g} ± {row.factor_se:g}), not "
                    "taken over, since it would apply to every sweep here. Store it with 'sts calibrate' if it does."
                )
    return replace(result, sweeps=sweeps)


def _keys(sources: pd.DataFrame) -> list[tuple[str, str]]:
    return list(zip(sources["sha256"], sources["recipe"], strict=True))


def _names(file: h5py.File, sources: pd.DataFrame) -> dict[str, Any]:
    """Each sweep's name to what identifies it in any session: content, recipe, and which sweep of the file."""
    keys = _keys(sources)
    found = {}
    for name in layout.set_names(file):
        group = layout.part_of(file, name)
        of, place = layout.read_array(group[layout.SOURCE]), layout.read_array(group[layout.PLACE])
        for sweep, i, k in zip(layout.read_table(group)["sweep"], of.tolist(), place.tolist(), strict=True):
            found[sweep] = (*keys[i], k)
    return found


def _places(file: h5py.File, sources: pd.DataFrame) -> dict[Any, str]:
    return {place: name for name, place in _names(file, sources).items()}


def _copy_sources(
    writer: Writer, donor: h5py.File, theirs: pd.DataFrame, new: np.ndarray, result: ImportResult
) -> dict[int, tuple[int, str]]:
    """Copy files; return the new number and name for each old number."""
    numbers = {}
    stored = layout.part_of(donor, "sources")["content"]
    for old in np.flatnonzero(new).tolist():
        row = {str(column): value for column, value in theirs.iloc[old].items()}
        start, size = int(row.pop("offset")), int(row["size"])
        pieces = (
            layout.read_array(stored, slice(at, min(at + layout.BLOCK_BYTES, start + size))).tobytes()
            for at in range(start, start + size, layout.BLOCK_BYTES)
        )
        numbers[old] = writer.add_source(offset=writer.add_content(pieces), **row)
        if numbers[old][1] != row["name"]:
            result.notes.append(
                f"{row['name']}: another file of that name is there; kept as '{numbers[old][1]}'."
            )  # fmt: skip
    return numbers


def _copy_sweeps(writer: Writer, donor: h5py.File, numbers: dict[int, tuple[int, str]]) -> Iterator[tuple[str, str]]:
    """Copy the sweeps of these files block by block; yield old and new name of each."""
    for name in layout.set_names(donor):
        group = layout.part_of(donor, name)
        table = layout.read_table(group)
        of, place = layout.read_array(group[layout.SOURCE]), layout.read_array(group[layout.PLACE])
        wanted = np.flatnonzero(np.isin(of, list(numbers)))
        for block in layout.blocks((len(wanted), layout.shape_of(group)[1])):
            rows = wanted[block]
            part = layout.read_set(group, table, rows)
            source = pd.Series([numbers[i][1] for i in of[rows].tolist()], dtype=object)
            part = part.with_table(part.table.assign(source=source))
            added = writer.add(part, source=[numbers[i][0] for i in of[rows].tolist()], place=place[rows])
            yield from zip(part.names, added, strict=True)


def _told_of(history: pd.DataFrame, copied: dict[str, str], ours: pd.DataFrame) -> list[dict[str, Any]]:
    """The annotations of the sweeps that were copied, under their new names and numbers of their own."""
    theirs = history[history["sweep"].isin(copied)]
    first = int(ours["number"].max()) if len(ours) else 0
    moved = theirs.assign(sweep=theirs["sweep"].map(copied), number=theirs["number"] + first)
    return [{str(k): v for k, v in row.items()} for row in moved.to_dict("records")]


def _new_decisions(
    donor: h5py.File, names: dict[str, str], decided: dict[str, tuple[str, str]], other: Path, result: ImportResult
) -> list[dict[str, Any]]:
    log = layout.read_log(donor, "decisions")
    theirs = standing_decisions(log)
    rows = [
        {"time": time, "sweep": names[sweep], "action": action, "why": why}
        for time, sweep, action, why in log[["time", "sweep", "action", "why"]].itertuples(index=False)
        if sweep in names and names[sweep] not in decided
    ]
    for old, (action, why) in theirs.items():
        mine = decided.get(names.get(old, ""))
        if mine and mine != (action, why):
            result.conflicts.append(
                f"{names[old]}: {other.name} says {action} ('{why}'), here it is {mine[0]} ('{mine[1]}'), which stands."
            )
    return rows
