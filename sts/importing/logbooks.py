"""Logbooks to and from a session: one to fill in, and the reasons for marks that a table gives."""

from __future__ import annotations

import re
from pathlib import Path

from sts.importing.files import DECIMALS
from sts.importing.labels import places_of
from sts.loaders import UnreadableFile, read_logbook
from sts.loaders.logbook import Logbook
from sts.loaders.logbook_rows import LogRow
from sts.loaders.started_logbook import started_logbook, write_csv, write_xlsx
from sts.session import Session, SessionError


def write_logbook(session: str | Path, out: str | Path, *, decimal: str = "", force: bool = False) -> int:
    """Write a started logbook: a row per file, what is known of its sweeps filled in, the rest left to fill in.

    Parameters
    ----------
    session : path
    out : path
        ``.csv``, or ``.xlsx`` with the extra 'excel'.
    decimal : str
        ``"comma"`` or ``"point"`` for a CSV; as the files of the session write numbers if not given.
    force : bool
        Whether a file that is there is overwritten.

    Returns
    -------
    int
        How many files it has.

    Raises
    ------
    SessionError
        If the file is there, or its kind cannot be written.
    """
    opened, path = Session.open(session), Path(out)
    if path.exists() and not force:
        raise SessionError(f"{path}: is there already. Give another name, or --force to overwrite it.")
    mark = DECIMALS.get(decimal) or _decimal_of(opened)
    head, rows = started_logbook(opened.sweeps(), opened.sources(), mark if path.suffix.lower() != ".xlsx" else ".")
    if path.suffix.lower() == ".xlsx":
        write_xlsx(path, head, rows)
    elif path.suffix.lower() == ".csv":
        write_csv(path, head, rows, mark)
    else:
        raise SessionError(f"{path}: a logbook is written as .csv or .xlsx; give it such an ending.")
    return len(rows)


def _decimal_of(session: Session) -> str:
    """The decimal mark of the text files of a session: a comma where the first of them writes one."""
    sources = session.sources()
    texts = sources.loc[sources["reader"] == "text", "name"]
    for name in texts[:3]:
        content = session.original(str(name))[:20_000]
        if re.search(rb"\d,\d+[;\t]|[;\t]-?\d+,\d", content):
            return ","
    return "."


def read_reasons(session: Session, table: str | Path, why: str = "", *, needed: bool = True) -> dict[str, list[str]]:
    """Names of sweeps by reason, from a table with columns `sweep` or `file` (patterns, as in a logbook) and `why`.

    Where two rows speak of a sweep, the first stands.

    Parameters
    ----------
    why : str
        The reason of rows that give none.
    needed : bool
        Whether each row must have a reason.

    Raises
    ------
    UnreadableFile, SessionError
        If a row names no sweep or no file, fits none, or has no reason.
    """
    book, sweeps = read_logbook(table), session.sweeps()
    places = places_of(session)
    reasons: dict[str, list[str]] = {}
    seen: set[str] = set()
    for row in book.rows:
        reason = str(row.values.get("why", row.values.get("reason", why))).strip()
        if not (row.sweep or row.pattern):
            raise _unusable(
                book, row, "names no sweep. Give a column 'sweep' (names, or patterns with * and ?) or 'file'"
            )
        if needed and not reason:
            raise _unusable(book, row, "gives no reason. Fill in a column 'why', or say --why for all rows")
        names = session.find([row.sweep] if row.sweep else [])
        if row.pattern:
            there = {name for name, (path, above) in places.items() if row.speaks_of(path, above)}
            names = sweeps["sweep"][sweeps["sweep"].isin(names) & sweeps["source"].isin(there)].tolist()
        if not names:
            raise _unusable(book, row, f"{row.pattern!r} fits no sweep. 'sts list SESSION --sources' shows the files")
        reasons.setdefault(reason, []).extend(name for name in names if name not in seen)
        seen.update(names)
    return {reason: names for reason, names in reasons.items() if names}


def _unusable(book: Logbook, row: LogRow, what: str) -> UnreadableFile:
    return UnreadableFile(f"{what}.", place=f"{book.name}, {row.place}")
