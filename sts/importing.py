"""From files to a session: read every file, add logbook and recipe, store all in one change."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd

from sts.loaders import (
    LoadedFile,
    UnreadableFile,
    apply_logbook,
    correct_table,
    read_file,
    read_logbook,
    read_recipe,
)
from sts.session import ImportResult, Session, SessionError, add_files, annotate

BESIDE = {".json", ".toml", ".md", ".html", ".pdf", ".png", ".svg", ".jpg"}  # what lies beside sweeps in a folder


def files_in(paths: Iterable[str | Path], *, but_not: Sequence[str | Path | None] = ()) -> list[Path]:
    """The files that `paths` name, in order, each once; of a folder not its hidden files, plans, notes and pictures."""
    leave = {os.path.realpath(path) for path in but_not if path is not None}
    found: dict[str, Path] = {}
    for path in map(Path, paths):
        for file in _sweep_files(path) if path.is_dir() else [path]:
            if (real := os.path.realpath(file)) not in leave:
                found.setdefault(real, file)
    return list(found.values())


def _sweep_files(folder: Path) -> list[Path]:
    """What lies in a folder and its folders, in the order of the names."""
    found: list[Path] = []
    for inside, folders, names in os.walk(folder):
        folders[:] = [name for name in folders if not name.startswith(".")]
        here = Path(inside)
        found += [here / n for n in names if not n.startswith(".") and os.path.splitext(n)[1].lower() not in BESIDE]
    return sorted(file for file in found if file.is_file())


def import_files(
    files: Iterable[str | Path],
    session: str | Path,
    *,
    recipe: str | Path | None = None,
    logbook: str | Path | None = None,
    prefer_logbook: bool = False,
    strict: bool = False,
    progress: Callable[[int, int], None] | None = None,
) -> ImportResult:
    """Read files (or whole folders) into a session, made if it is not there.

    Parameters
    ----------
    files : iterable of path
    session : path
        Changed once, at the end, or not at all.
    recipe, logbook : path, optional
        How to read the files; what the files do not say.
    prefer_logbook : bool
        Whether the logbook wins where a header disagrees with it.
    strict : bool
        Whether one unreadable file stops everything.
    progress : callable(done, total), optional

    Returns
    -------
    ImportResult
        With the files left out and why.

    Raises
    ------
    UnreadableFile, PlanError, SessionError
        If the logbook, the recipe or the session cannot be used; with `strict`, if any file cannot be read.
    """
    path = Path(session)
    if path.exists():
        Session.open(path)  # a file that is no session is refused before any work
    how = read_recipe(recipe) if recipe is not None else None
    book = read_logbook(logbook) if logbook is not None else None
    names = files_in(files, but_not=[recipe, logbook, session])
    if not names:
        raise SessionError("There is no file to import in what was named. Give files, or a folder that holds some.")
    left_out: list[tuple[str, str]] = []
    conflicts: list[str] = []

    def read_all() -> Iterator[LoadedFile]:
        """One file at a time: stored before the next is read, so that memory does not grow with the folder."""
        for done, name in enumerate(names, 1):
            try:
                file = read_file(name, recipe=how)
                if book is not None:
                    file, disagree = apply_logbook(file, book, prefer_logbook=prefer_logbook)
                    conflicts.extend(disagree)
                yield file
            except UnreadableFile as error:
                left_out.append((str(name), str(error)))
            if progress is not None:
                progress(done, len(names))
        if strict and left_out:
            raise UnreadableFile(
                f"{left_out[0][1]} (with --strict nothing was imported; "
                f"{len(left_out)} of {len(names)} files cannot be read)"
            )

    result = add_files(path, read_all(), create=True)
    return replace(result, left_out=left_out, conflicts=conflicts)


@dataclass(frozen=True, eq=False)
class Annotated:
    """What a logbook changed in a session."""

    changes: pd.DataFrame  # one row a cell: sweep, column, before, after, ...
    conflicts: list[str]  # where session and logbook disagree, and whose word was taken
    unmatched: list[str]  # patterns that fit no file of the session


def annotate_session(session: str | Path, logbook: str | Path, *, prefer_logbook: bool = False) -> Annotated:
    """Fill in what a session does not know of its sweeps from a logbook that was written or corrected later.

    Parameters
    ----------
    session, logbook : path
    prefer_logbook : bool
        Whether the logbook's word replaces what the session has; else disagreements are reported only.

    Raises
    ------
    UnreadableFile, SessionError
        If the logbook or the session cannot be used.
    """
    book = read_logbook(logbook)
    conflicts: list[str] = []

    def correct(table: pd.DataFrame) -> pd.DataFrame:
        corrected, disagree = correct_table(table, book, prefer_logbook=prefer_logbook)
        conflicts.extend(disagree)
        return corrected

    changes = annotate(session, correct, source=book.name)
    return Annotated(changes, conflicts, book.unmatched(Session.open(session).sources()["name"]))
