"""The logbook: a table, keyed by file-name pattern or sweep, that fills in what the files do not say."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from sts.loaders.labels import STATED, Columns, Disagreement, Statement, filled
from sts.loaders.loaded import LoadedFile, UnreadableFile
from sts.loaders.logbook_rows import LogRow, row_for_all, rows_of
from sts.loaders.patterns import compiled, plain
from sts.loaders.reading import bytes_of


@dataclass(frozen=True)
class Logbook:
    """The rows of a logbook, in order."""

    name: str
    rows: tuple[LogRow, ...]

    def reach(self, paths: Iterable[tuple[str, str]]) -> tuple[list[str], list[str]]:
        """The rows with a pattern that fits none of these files, and those that fit all of two or more.

        Parameters
        ----------
        paths : iterable of (str, str)
            Of each file: path from the imported folder down, folders above.
        """
        known = list(paths)
        counts = [(row, sum(row.speaks_of(*path) for path in known)) for row in self.rows if row.pattern]
        none = [f"{row.place}, '{row.pattern}'" for row, count in counts if not count]
        every = [f"{row.place}, '{row.pattern}'" for row, count in counts if count == len(known) > 1]
        return none, every


def read_logbook(path: str | Path) -> Logbook:
    r"""Read a logbook from CSV (any delimiter and encoding) or XLSX.

    The first row names the columns: `file` (a name or a pattern with ``*`` and ``?``) and/or `sweep`, and any of the
    table's (``tip``, ``site``, ``set-point current (pA)``, ...). Other columns are kept as columns of the user's own.

    Parameters
    ----------
    path : path

    Raises
    ------
    UnreadableFile
        If it is no table, has no column `file` or `sweep`, or a cell cannot be used; the text names row and column.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> import sts
    >>> path = Path(tempfile.mkdtemp()) / "logbook.csv"
    >>> _ = path.write_text("file,tip,temperature (K)\nheron_*,heron,4.2\n")
    >>> for row in sts.read_logbook(path).rows:
    ...     print(row.pattern, row.values, row.place)
    heron_* {'tip': 'heron', 'temperature_K': 4.2} line 2
    """
    path = Path(path)
    content = bytes_of(path)
    try:
        return Logbook(path.name, rows_of(content))
    except UnreadableFile as error:
        raise error.inside(path.name) from None


def stated(values: Mapping[str, str]) -> Logbook:
    """A logbook of one row for all files, from column to text such as ``tip`` to ``heron``.

    Parameters
    ----------
    values : mapping
        Column to text.

    Raises
    ------
    UnreadableFile
        If a column turns a sign, or a value cannot be used.
    """
    return Logbook(STATED, (replace(row_for_all(values), place="on the command line"),))


def logbooks_of(path: str | Path | None, values: Mapping[str, str] | None) -> list[Logbook]:
    """What a call gives: the logbook of a file, and values for all sweeps as another one.

    Parameters
    ----------
    path : path, optional
    values : mapping, optional
        As in `stated`.

    Raises
    ------
    UnreadableFile
        As `read_logbook` and `stated`.
    """
    return [*([read_logbook(path)] if path is not None else []), *([stated(values)] if values else [])]


# ---- applied


def statements_of(logbook: Logbook, columns: Columns, paths: Mapping[str, tuple[str, str]]) -> list[Statement]:
    """What the rows of a logbook say of the sweeps of a table (m rows).

    Parameters
    ----------
    columns : mapping
        Of the table, with `sweep` and `source`.
    paths : mapping
        Name of the file as in `source` -> (path from the imported folder down, folders above).
    """
    rows_of: dict[str, list[int]] = {}
    for i, source in enumerate(columns["source"]):
        rows_of.setdefault(str(source), []).append(i)
    by_sweep = any(row.sweep for row in logbook.rows)
    names = [plain(str(n)) for n in columns["sweep"]] if by_sweep else []
    statements = []
    for row in logbook.rows:
        if not row.values and not row.empty:
            continue
        files = [f for f in rows_of if not row.pattern or row.speaks_of(*paths.get(f, (f, "")))]
        rows = [i for f in files for i in rows_of[f]]
        if row.sweep:
            rows = [i for i in rows if compiled(plain(row.sweep)).fullmatch(names[i])]
        if rows:
            statements.append(Statement(rows, row.values, logbook.name, row.place, row.empty))
    return statements


def apply_logbook(
    file: LoadedFile, logbook: Logbook, *, prefer_logbook: bool = False
) -> tuple[LoadedFile, list[Disagreement]]:
    r"""Fill in what a file does not say.

    Parameters
    ----------
    file : LoadedFile
    logbook : Logbook
    prefer_logbook : bool
        Where header and logbook disagree: take the logbook's word (else the header's).

    Returns
    -------
    LoadedFile, list of Disagreement
        The file with its tables filled in, and a sentence for each disagreement.

    Notes
    -----
    Rows are taken from top to bottom: what an earlier row has filled in, a later one does not change; if they
    disagree, that is reported too.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> import sts
    >>> folder = Path(tempfile.mkdtemp())
    >>> _ = (folder / "heron_1.txt").write_text("V (mV);I (pA)\n-10;-25\n0;0\n10;25\n")
    >>> _ = (folder / "logbook.csv").write_text("file,tip,site\nheron_*,heron,3\n")
    >>> logbook = sts.read_logbook(folder / "logbook.csv")
    >>> file, conflicts = sts.apply_logbook(sts.read_file(folder / "heron_1.txt"), logbook)
    >>> file.sets[0].table[["tip", "site"]].values.tolist(), conflicts
    ([['heron', '3']], [])
    """
    place = {file.name: (file.path, file.above)}
    return filled(file, lambda part: statements_of(logbook, part.columns, place), prefer=prefer_logbook)
