"""Adding files with their sweeps to a session, and what is said of it."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from sts.session import tables
from sts.session.change import Change, changing, reading
from sts.session.writer import Writer
from sts.showing import Shown
from sts.sweeps import SweepSet

if TYPE_CHECKING:
    from sts.loaders import LoadedFile

HASHED_BESIDE = 1 << 20  # [bytes] smaller contents are hashed before a second thread would have begun


@dataclass(frozen=True, repr=False)
class ImportResult(Shown):
    """What an import or a merge did.

    Attributes
    ----------
    added : list[str]
        Names of the files added.
    repeated : list[str]
        Files that were there already.
    copied : list[str]
        Files of which every sweep is a copy of one that is there.
    left_out : list[tuple[str, str]]
        (file, why).
    notes : list[str]
        What the user should know.
    copies : list[str]
        Sweeps left out because their numbers are there already.
    no_sweeps : list[str]
        Files beside the sweeps: pictures, notes.
    conflicts : list[str]
        Two statements about the same thing; which one stands.
    sweeps : int
        Sweeps added.
    unassigned : int
        Sweeps of the session without a tip.
    total : int
        Sweeps of the session.
    proposed_names : str
        A pattern that the names of files without a tip might follow.
    """

    added: list[str] = field(default_factory=list)
    repeated: list[str] = field(default_factory=list)
    copied: list[str] = field(default_factory=list)
    left_out: list[tuple[str, str]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    copies: list[str] = field(default_factory=list)
    no_sweeps: list[str] = field(default_factory=list)
    conflicts: list[str] = field(default_factory=list)
    sweeps: int = 0
    unassigned: int = 0
    total: int = 0
    proposed_names: str = ""


def add_files(
    path: Path,
    files: Iterable[LoadedFile],
    *,
    create: bool = False,
    keep_copies: bool = True,
    now: datetime | None = None,
) -> ImportResult:
    """Add files in one change; what is there already (by content and recipe) is not added again.

    Parameters
    ----------
    path : path
        Of the session. Where nothing is to be added nothing is written.
    files : iterable of LoadedFile
        Each is written before the next is asked for.
    create : bool
        Whether the session is made in the same change if it is not there.
    keep_copies : bool
        Else sweeps whose numbers are there already are left out, and named.
    now : datetime, optional

    Raises
    ------
    SessionError
        If the session cannot be used or written.
    """
    with changing(path, create=create) as change, ThreadPoolExecutor(1) as thread:
        sources = tables.no_rows("sources")
        if path.exists():
            with reading(path) as file:
                sources = tables.read_log(file, "sources")
        adding = _Adding(change, sources, thread, keep_copies, time_text(now))
        for loaded in files:
            adding.add(loaded)
        return adding.finish()


class _Adding:
    """Files on their way into a session, one after the other."""

    def __init__(
        self, change: Change, sources: pd.DataFrame, thread: ThreadPoolExecutor, keep_copies: bool, time: str
    ) -> None:
        self._change, self._thread, self._keep_copies, self._time = change, thread, keep_copies, time
        self._there = dict(zip(zip(sources["sha256"], sources["recipe"], strict=True), sources["name"], strict=True))
        self._contents = dict(zip(sources["sha256"], sources["name"], strict=True))
        self._sizes = set(sources["size"])
        self._writer: Writer | None = None
        self._result = ImportResult()
        self._sweeps = 0

    def add(self, loaded: LoadedFile) -> None:
        """Add one file, or note why it is not."""
        result, size = self._result, len(loaded.content)
        # a large content of a size that is new is new itself: then it is hashed while it is written
        hashing = self._thread.submit(sha256_of, loaded.content) if size > HASHED_BESIDE else None
        sha256 = "" if hashing else sha256_of(loaded.content)
        if hashing and size in self._sizes:
            sha256 = hashing.result()
        if (known_as := self._there.get((sha256, loaded.recipe))) is not None:
            result.repeated.append(loaded.name)
            if known_as != loaded.name:
                result.notes.append(f"{loaded.name}: has the same content as '{known_as}'; not added again.")
            return
        file = self._change.file()
        writer = self._writer = self._writer or Writer(file)
        parts = self._parts(loaded, writer)
        if not parts:
            result.copied.append(loaded.name)
            return
        notes = dict.fromkeys([*loaded.notes, *(note for part in loaded.sets for note in part.notes)])
        offset = writer.add_content([loaded.content])
        sha256 = hashing.result() if hashing else sha256
        source, name = writer.add_source(
            name=loaded.name, sha256=sha256, size=size, reader=loaded.reader, recipe=loaded.recipe,
            imported=self._time, sweeps=sum(len(part) for part, _ in parts), notes="\n".join(notes), offset=offset,
            path=loaded.path, above=loaded.above, modified=loaded.modified,
        )  # fmt: skip
        result.added.append(loaded.name)
        result.notes.extend(f"{loaded.name}: {note}" for note in notes)
        if name != loaded.name:
            result.notes.append(f"{loaded.name}: another file of that name is there; kept as '{name}'.")
        if sha256 in self._contents:
            result.notes.append(
                f"{loaded.name}: was there already as '{self._contents[sha256]}', read with another recipe; both are "
                "kept, so omit one of the two."
            )
        self._there[sha256, loaded.recipe] = name
        self._contents.setdefault(sha256, name)
        self._sizes.add(size)
        self._add_sweeps(writer, parts, source, loaded.name, name)

    def _parts(self, loaded: LoadedFile, writer: Writer) -> list[tuple[SweepSet, np.ndarray]]:
        """The sets to be added, and which sweeps of the file they hold."""
        parts = []
        first = 0
        for whole in loaded.sets:
            copies = [] if self._keep_copies else self._copies(loaded.name, whole, writer)
            places = np.setdiff1d(np.arange(len(whole)), copies) if copies else np.arange(len(whole))
            if places.size:
                parts.append((whole.select(places) if copies else whole, first + places))
            first += len(whole)
        return parts

    def _copies(self, file: str, part: SweepSet, writer: Writer) -> list[int]:
        """Which sweeps of a set are in the session already; they are noted."""
        copies = []
        for row, how, other in writer.find_copies(part):
            own = f"{file}: sweep '{part.names[row]}'"
            if how == "whole":
                self._result.notes.append(
                    f"{own} holds all points of '{other}', which seems to be cut off; both are kept. To leave the short one "
                    f'out: sts mark SESSION --omit "{other}" --why "cut off".'
                )
            else:
                copies.append(row)
                words = "has the same numbers as" if how == "same" else "is a part of"
                self._result.copies.append(f"{own} {words} '{other}'.")
        return copies

    def _add_sweeps(
        self, writer: Writer, parts: list[tuple[SweepSet, np.ndarray]], source: int, file: str, name: str
    ) -> None:
        """Add the sweeps of one file, called `name` in the session."""
        renamed = []
        for part, places in parts:
            new = writer.add(part, source=source, place=places, source_name=name)
            renamed += [(old, found) for old, found in zip(part.names, new, strict=True) if old != found]
            self._sweeps += len(part)
        if renamed:
            more = f" (and {len(renamed) - 1} more)" if len(renamed) > 1 else ""
            self._result.notes.append(
                f"{file}: sweep '{renamed[0][0]}' is there already; called '{renamed[0][1]}'{more}."
            )

    def finish(self) -> ImportResult:
        """Write what waits, or leave everything as it was."""
        if self._writer and self._result.added:
            self._writer.finish()
        else:
            self._change.discard()
        return replace(self._result, sweeps=self._sweeps)


def sha256_of(content: bytes) -> str:
    """The SHA-256 of some bytes, in hexadecimal digits.

    Parameters
    ----------
    content : bytes
    """
    return hashlib.sha256(content).hexdigest()


def time_text(now: datetime | None) -> str:
    """UTC to the second, ISO 8601.

    Parameters
    ----------
    now : datetime, optional
        The present if not given.
    """
    return (now or datetime.now(UTC)).astimezone(UTC).isoformat(timespec="seconds")
