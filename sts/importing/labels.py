"""Labels that come after the import: from a logbook, from names of files, or for all sweeps."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd

from sts.loaders.labels import PathLabels, Statement, fill
from sts.loaders.logbook import logbooks_of, statements_of
from sts.loaders.path_names import propose_pattern
from sts.session import Session, annotate
from sts.showing import Shown


@dataclass(frozen=True, eq=False, repr=False)
class Annotated(Shown):
    """What a logbook changed in a session.

    Attributes
    ----------
    changes : pandas.DataFrame
        One row per cell: sweep, column, before, after and others.
    conflicts : list[str]
        Where session and logbook disagree, and whose word was taken.
    unmatched : list[str]
        Patterns that fit no file of the session.
    notes : list[str]
        What else the user should know.
    """

    changes: pd.DataFrame
    conflicts: list[str]
    unmatched: list[str]
    notes: list[str] = field(default_factory=list)


def annotate_session(
    session: str | Path,
    logbook: str | Path | None = None,
    *,
    names: Sequence[str] = (),
    values: Mapping[str, str] | None = None,
    prefer_logbook: bool = False,
) -> Annotated:
    r"""Fill in what a session does not know of its sweeps, by a logbook, patterns of names, or values for all.

    Parameters
    ----------
    session : path
    logbook : path, optional
        Written or corrected after the import; the same one may be given again and again.
    names : sequence of str
        Patterns of folder and file names.
    values : mapping, optional
        Column to text, for all sweeps that do not have it.
    prefer_logbook : bool
        Whether the logbook's word replaces what the session has; else disagreements are reported only.

    Raises
    ------
    UnreadableFile, SessionError, ValueError
        If the logbook, a pattern or the session cannot be used.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> import sts
    >>> folder = Path(tempfile.mkdtemp())
    >>> _ = (folder / "a.txt").write_text("V (mV);I (pA)\n-10;-25\n0;0\n10;25\n")
    >>> _ = sts.import_files([folder / "a.txt"], folder / "bench.h5")
    >>> done = sts.annotate_session(folder / "bench.h5", values={"tip": "heron"})
    >>> done.changes[["sweep", "column", "after"]].values.tolist()
    [['a', 'tip', 'heron']]
    """
    books = logbooks_of(logbook, values)
    paths = places_of(Session.open(session))
    labels = PathLabels([path for path, _ in paths.values()], names, guess=False)
    conflicts: list[str] = []

    def correct(table: pd.DataFrame, kind: str) -> pd.DataFrame:
        columns = {str(c): table[c].to_numpy() for c in table.columns}
        said: list[Statement] = []
        for source, rows in table.groupby("source", sort=False).indices.items() if names else ():
            said += labels.statements(paths.get(str(source), (str(source), ""))[0], kind, columns, list(rows))
        for book in books:
            said += statements_of(book, columns, paths)
        corrected, disagree = fill(columns, said, prefer=prefer_logbook, said_by="the session")
        conflicts.extend(disagree)
        return pd.DataFrame(corrected)

    who = ", ".join([*(book.name for book in books), *(["names"] if names else [])])
    changes = annotate(session, correct, source=who)
    unmatched, notes = [], []
    for book in books:
        none, every = book.reach(paths.values())
        unmatched += none
        notes += [f"{book.name}, {row}: fits every file ({len(paths)})." for row in every if len(book.rows) > 1]
    return Annotated(changes, conflicts, unmatched, notes)


def propose_names(session: str | Path) -> str:
    """A pattern that the names of files without a tip might follow; "" if they show none.

    Parameters
    ----------
    session : path

    Raises
    ------
    SessionError
        If it cannot be opened.
    """
    opened = Session.open(session)
    sweeps = opened.sweeps()
    files = set(sweeps.loc[sweeps["tip"] == "", "source"])
    return propose_pattern([path for name, (path, _) in places_of(opened).items() if name in files])


def places_of(session: Session) -> dict[str, tuple[str, str]]:
    """Of each file of a session its path from the imported folder down, and the folders above that.

    Parameters
    ----------
    session : Session
    """
    sources = session.sources()
    return {
        str(name): (str(path) or str(name), str(above))
        for name, path, above in zip(sources["name"], sources["path"], sources["above"], strict=True)
    }
