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

from sts.session import layout, tables
from sts.session.change import DAMAGE, changing
from sts.session.tables import SessionError
from sts.session.writer import Writer
from sts.sweeps import SweepSet

LOGS = {"looked": "notes of what was looked at"}  # in words where the name of the log does not tell


def rescue(damaged: str | Path, new: str | Path) -> list[str]:
    """Save what can still be read of a damaged session into a new one; `damaged` is left as it is.

    Parameters
    ----------
    damaged, new : path
        The session, and the file to make.

    Returns
    -------
    list of str
        What was saved and what was lost, in sentences.

    Raises
    ------
    SessionError
        If `damaged` is not there, `new` is, or nothing could be saved.

    Examples
    --------
    >>> from pathlib import Path
    >>> made = sts.simulate_iv().sweeps
    >>> np.savez("a.npz", bias_V=made.axis, current_A=made.current)
    >>> _ = sts.import_files(["a.npz"], "a.h5")
    >>> _ = Path("damaged.h5").write_bytes(bytes(64) + Path("a.h5").read_bytes()[64:])  # the start is overwritten
    >>> sts.rescue("damaged.h5", "saved.h5")[:2]
    ['The start of the file was damaged and was replaced.', 'Saved: 1 of 1 original files.']
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
            for log in ("decisions", "calibrations", "annotations", "looked"):
                rows = _unless_damaged(lambda log=log: tables.read_log(file, log))
                if rows is None:
                    said.append(f"Lost: the {LOGS.get(log, log)}.")
                elif len(rows) or log not in LOGS:
                    tables.append_log(change.file(), log, rows)
                    saved += len(rows)
                    said.append(f"Saved: {len(rows)} {LOGS.get(log, log)}.")
        if not saved:
            raise SessionError(
                f"{damaged}: nothing could be saved ({' '.join(said)}). Take the newest copy of the session, or import "
                "the bench's files again."
            )
    return said


def _unless_damaged(read: Any) -> Any:
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
        file = _unless_damaged(lambda: h5py.File(copy, "r"))
        if file is None:
            continue
        if _unless_damaged(lambda: layout.format_of(file, damaged)) is None:  # noqa: B023 - called at once
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
    """Save originals and sweeps; return how many of both."""
    sources = _unless_damaged(lambda: tables.read_log(file, "sources"))
    if sources is None:
        said.append("Lost: the list of imported files and the files themselves.")
        sources = tables.no_rows("sources")
    originals = [_unless_damaged(lambda i=i: _checked(file, sources.iloc[i])) for i in range(len(sources))]
    numbers = {}
    for i, (content, source) in enumerate(zip(originals, sources.to_dict("records"), strict=True)):
        row = {str(column): value for column, value in source.items() if column != "offset"}
        numbers[i], _ = writer.add_source(offset=writer.add_content([content or b""]), **row)
    whole = sum(content is not None for content in originals)
    said.append(f"Saved: {whole} of {len(sources)} original files.")
    said.extend(f"Lost: the original of {sources['name'][i]}." for i, c in enumerate(originals) if c is None)
    places: dict[int, set[int]] = {i: set() for i in numbers}  # which sweeps of a file are saved
    saved = 0
    for name in _unless_damaged(lambda: layout.set_names(file)) or []:
        stored = _unless_damaged(lambda name=name: layout.StoredSet(file, name))
        if stored is None:
            continue
        lost = 0
        for rows, part in _whole_parts(stored):
            if part is None:
                lost += len(rows)
                continue
            of, place = stored.files[rows].tolist(), stored.places[rows]
            for i in set(of) - numbers.keys():
                numbers[i], _ = writer.add_source(offset=0, **NOT_KNOWN)
            writer.add(part, source=[numbers[i] for i in of], place=place)
            saved += len(part)
            for i, k in zip(of, place.tolist(), strict=True):
                places.setdefault(i, set()).add(k)
        if lost:
            said.append(f"{name}: {lost} sweeps are damaged.")
    said.append(f"Saved: {saved} sweeps.")
    for i, content in enumerate(originals):
        missing = int(sources["sweeps"][i]) - len(places[i])
        if missing > 0:
            again = _read_again(writer, sources.iloc[i], content, numbers[i], places[i], folder)
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


def _whole_parts(stored: layout.StoredSet) -> Iterator[tuple[np.ndarray, SweepSet | None]]:
    """Sweeps of a set in blocks of a chunk: their rows, and None where they are damaged."""
    lengths = _unless_damaged(
        lambda: {len(part) for part in (stored.table, stored.files, stored.places, stored.signal)}
    )
    if lengths is None or len(lengths) > 1:
        return
    every = np.arange(len(stored.table))
    for rows in np.split(every, every[stored.signal.chunks[0] :: stored.signal.chunks[0]]):
        yield rows, _unless_damaged(lambda rows=rows: stored.read(rows))


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
