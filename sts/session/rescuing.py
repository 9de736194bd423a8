"""Saving what a damaged session still holds.

Three lines of defence. A file cut short is filled up to the length it claims, and a start that was overwritten is
replaced by that of a new session (which is always the same), so that HDF5 opens it again. Every chunk of sweeps
carries a checksum and every original a SHA-256, so that only what is whole is taken. Sweeps that are lost are read
again from the original file, where that is whole.
"""

from __future__ import annotations

import hashlib
import re
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pandas as pd

from sts.session import layout
from sts.session.change import DAMAGE, changing
from sts.session.layout import SessionError
from sts.session.writer import Writer
from sts.sweeps import SweepSet


def rescue(damaged: str | Path, new: str | Path) -> list[str]:
    """Save what can still be read of a damaged session into a new one; `damaged` is left as it is.

    Returns
    -------
    list of str
        What was saved and what was lost, in sentences.

    Raises
    ------
    SessionError
        If `damaged` is not there, `new` is, or nothing could be saved.
    """
    damaged, new = Path(damaged), Path(new)
    if not damaged.is_file():
        raise SessionError(f"{damaged}: there is no such file to rescue.")
    if new.exists():
        raise SessionError(f"{new}: exists already. Name a new file to save into.")
    said: list[str] = []
    with changing(new, create=True) as change, tempfile.TemporaryDirectory(dir=new.absolute().parent) as folder:
        with _opened(damaged, Path(folder) / "copy.h5", said) as file:
            saved = _save(file, Writer(change.file()), Path(folder), said)
            for log in ("decisions", "calibrations", "annotations"):
                rows = _tried(lambda log=log: layout.read_log(file, log))
                if rows is None:
                    said.append(f"Lost: the {log}.")
                else:
                    records = [{str(k): v for k, v in row.items()} for row in rows.to_dict("records")]
                    layout.append_log(change.file(), log, records)
                    saved += len(rows)
                    said.append(f"Saved: {len(rows)} {log}.")
        if not saved:
            raise SessionError(
                f"{damaged}: nothing could be saved ({' '.join(said)}). Take the newest copy of the session, or import "
                "the bench's files again."
            )
    return said


def _tried(read: Any) -> Any:
    """What `read` returns, or None if the file is damaged there."""
    try:
        return read()
    except (*DAMAGE, SessionError):
        return None


# --- opening ---------------------------------------------------------------------------------------------------------


@contextmanager
def _opened(damaged: Path, copy: Path, said: list[str]) -> Iterator[h5py.File]:
    """Open a repaired copy; `said` gets what was repaired."""
    shutil.copyfile(damaged, copy)
    for repair in (None, _fill_up, _new_start):
        if repair is not None:
            with suppress(OSError):
                repair(copy, said)
        file = _tried(lambda: h5py.File(copy, "r"))
        if file is None:
            continue
        if _tried(lambda: layout.format_of(file, damaged)) is None:  # noqa: B023 - called at once
            file.close()
            continue
        try:
            yield file
        finally:
            with suppress(RuntimeError, OSError):
                file.close()
        return
    raise SessionError(
        f"{damaged}: nothing could be saved: it cannot be opened as a session even after repair. Take the newest copy "
        "of the session, or import the bench's files again."
    )


def _fill_up(copy: Path, said: list[str]) -> None:
    try:
        h5py.File(copy, "r").close()
    except OSError as error:
        found = re.search(r"stored_eof = (\d+)", str(error))
        size = copy.stat().st_size
        if found and size < int(found[1]) < 4 * size + (1 << 20):
            with copy.open("rb+") as stream:
                stream.truncate(int(found[1]))
            said.append(f"The file ends {int(found[1]) - size} bytes too early; what lay there is lost.")


def _new_start(copy: Path, said: list[str]) -> None:
    """Replace the superblock by that of a new session, which differs only in the length of the file."""
    fresh = copy.with_name("fresh.h5")
    with h5py.File(fresh, "w") as file:
        layout.prepare(file)
    start = bytearray(fresh.read_bytes()[:SUPERBLOCK])
    start[END_OF_FILE : END_OF_FILE + 8] = copy.stat().st_size.to_bytes(8, "little")
    with copy.open("rb+") as stream:
        stream.write(start)
    said.append("The start of the file was damaged and was replaced.")


NOT_KNOWN = {
    "name": "lost file", "sha256": "", "size": 0, "reader": "", "recipe": "", "imported": "", "sweeps": 0, "notes": "",
}  # fmt: skip
SUPERBLOCK = 96  # [bytes] of the superblock of version 0 with its root entry (HDF5 file format, II.A)
END_OF_FILE = 40  # where in it the length of the file stands


# --- reading what is whole -------------------------------------------------------------------------------------------


def _save(file: h5py.File, writer: Writer, folder: Path, said: list[str]) -> int:
    """Save sweeps and originals; return how many sweeps."""
    sources = _tried(lambda: layout.read_log(file, "sources"))
    if sources is None:
        said.append("Lost: the list of imported files and the files themselves.")
        sources = layout.no_rows("sources")
    originals = {i: _tried(lambda i=i: _checked(file, sources.iloc[i])) for i in range(len(sources))}
    numbers = {}
    for i, content in originals.items():
        row = {str(column): value for column, value in sources.iloc[i].items() if column != "offset"}
        numbers[i], _ = writer.add_source(offset=writer.add_content([content or b""]), **row)
    whole = sum(content is not None for content in originals.values())
    said.append(f"Saved: {whole} of {len(sources)} original files.")
    said.extend(f"Lost: the original of {sources['name'][i]}." for i, c in originals.items() if c is None)
    places: dict[int, set[int]] = {}
    saved = 0
    names = _tried(lambda: layout.set_names(file)) or []
    for name in names:
        lost = 0
        for part, of, place in _whole_parts(file, name):
            if part is None:
                lost += len(of)
                continue
            for i in set(of.tolist()) - numbers.keys():
                numbers[i], _ = writer.add_source(offset=0, **NOT_KNOWN)
            writer.add(part, source=[numbers[i] for i in of.tolist()], place=place)
            saved += len(part)
            for i, k in zip(of.tolist(), place.tolist(), strict=True):
                places.setdefault(i, set()).add(k)
        if lost:
            said.append(f"{name}: {lost} sweeps are damaged.")
    said.append(f"Saved: {saved} sweeps.")
    for i, content in originals.items():
        missing = int(sources["sweeps"][i]) - len(places.get(i, ()))
        if missing > 0:
            again = _read_again(writer, sources.iloc[i], content, numbers[i], places.get(i, set()), folder)
            saved += again
            if again == missing:
                said.append(f"Saved: {again} more sweeps, read again from the original {sources['name'][i]}.")
            else:
                said.append(f"Lost: {missing - again} sweeps of {sources['name'][i]}.")
    writer.finish()
    return saved + whole


def _checked(file: h5py.File, source: pd.Series) -> bytes | None:
    content = layout.read_content(file, source)
    return content if hashlib.sha256(content).hexdigest() == source["sha256"] else None


def _whole_parts(file: h5py.File, name: str) -> Iterator[tuple[SweepSet | None, np.ndarray, np.ndarray]]:
    """Sweeps of a set in blocks of a chunk, with file and place of each; None where they are damaged."""
    read = _tried(lambda: _listing(file, name))
    if read is None:
        return
    group, table, of, place, step = read
    for start in range(0, len(table), step):
        rows = np.arange(start, min(start + step, len(table)))
        yield _tried(lambda rows=rows: layout.read_set(group, table, rows)), of[rows], place[rows]


def _listing(file: h5py.File, name: str) -> tuple[h5py.Group, pd.DataFrame, np.ndarray, np.ndarray, int]:
    group = layout.part_of(file, name)
    table = layout.read_listing(group)
    of, place = layout.read_array(group[layout.SOURCE]), layout.read_array(group[layout.PLACE])
    signal = group[group.attrs["signal"]]
    if not len(table) == len(of) == len(place) == len(signal):
        raise SessionError(f"{name}: its columns differ in length.")
    return group, table, of, place, int(signal.chunks[0])


def _read_again(
    writer: Writer, source: pd.Series, content: bytes | None, number: int, have: set[int], folder: Path
) -> int:
    """Read lost sweeps from the original file; return how many. What a logbook added to them is not in there."""
    from sts.loaders import read_file, read_recipe

    if content is None:
        return 0
    copy = folder / "original" / Path(str(source["name"])).name
    copy.parent.mkdir(exist_ok=True)
    copy.write_bytes(content)
    recipe = None
    try:
        if source["recipe"]:
            (folder / "recipe.toml").write_text(source["recipe"], encoding="utf-8", newline="\n")
            recipe = read_recipe(folder / "recipe.toml")
        loaded = read_file(copy, recipe=recipe)
    except ValueError:
        return 0
    again = 0
    place = 0
    for part in loaded.sets:
        places = np.arange(place, place + len(part))
        place += len(part)
        rows = np.flatnonzero(~np.isin(places, list(have)))
        if rows.size:
            writer.add(part.select(rows), source=number, place=places[rows], source_name=str(source["name"]))
            again += len(rows)
    return again
