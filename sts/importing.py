"""From files to a session: read, label, store, in one change; and labels that come later."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import pandas as pd

from sts.loaders import LoadedFile, Preview, UnreadableFile, read_logbook, read_recipe
from sts.loaders.bare import named_columns
from sts.loaders.dialect import NoTable
from sts.loaders.folders import Found, find_files
from sts.loaders.how import HowToRead
from sts.loaders.labels import PathLabels, Statement, fill
from sts.loaders.logbook import Logbook, LogRow, stated, statements_of
from sts.loaders.path_names import propose_pattern
from sts.loaders.started_logbook import started_logbook, write_csv, write_xlsx
from sts.session import ImportResult, Session, SessionError, add_files, annotate

DECIMALS = {"": "", "comma": ",", "point": ".", ",": ",", ".": "."}


def how_to_read(
    recipe: str | Path | Sequence[str | Path] | None = None, columns: Sequence[str] = (), decimal: str = ""
) -> HowToRead:
    """How the files of a call are read, from recipe files, ``--columns`` and ``--decimal``.

    Raises
    ------
    PlanError, ValueError
        If a recipe or a text cannot be used.
    """
    recipes = [] if recipe is None else [recipe] if isinstance(recipe, (str, Path)) else list(recipe)
    if decimal not in DECIMALS:
        raise ValueError(f"the decimal mark is '{decimal}'; use comma or point.")
    return HowToRead(
        tuple(read_recipe(path) for path in recipes), tuple(named_columns(c) for c in columns), DECIMALS[decimal]
    )


def import_files(
    files: Iterable[str | Path],
    session: str | Path,
    *,
    recipe: str | Path | Sequence[str | Path] | None = None,
    logbook: str | Path | None = None,
    names: Sequence[str] = (),
    values: Mapping[str, str] | None = None,
    columns: Sequence[str] = (),
    decimal: str = "",
    prefer_logbook: bool = False,
    keep_copies: bool = False,
    strict: bool = False,
    progress: Callable[[int, int], None] | None = None,
) -> ImportResult:
    """Read files (or whole folders) into a session, made if it is not there.

    Parameters
    ----------
    files : iterable of path
    session : path
        Changed once, at the end, or not at all.
    recipe : path or sequence of path, optional
        How to read the files; of several, the first whose `files` fits a file is used for it.
    logbook : path, optional
        What the files do not say.
    names : sequence of str
        Patterns of folder and file names, e.g. ``"{tip}/site{site}_{repeat}.txt"``. Words in names (tipB, site3) are read
        without; ``"none"`` reads no names at all.
    values : mapping, optional
        Column to text, for all files of the call: ``{"tip": "heron"}``.
    columns : sequence of str
        Names for tables that have none: ``"V (V), I (A)"``, or ``"c_z*: z (nm), I (pA)"`` for some files.
    decimal : str
        ``"comma"`` or ``"point"``, for files in which a comma may be either.
    prefer_logbook : bool
        Whether the logbook wins where a header disagrees with it.
    keep_copies : bool
        Whether sweeps whose numbers are there already count as new ones.
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
    how = how_to_read(recipe, columns, decimal)
    recipes = [recipe] if isinstance(recipe, (str, Path)) else list(recipe or ())
    found = find_files(files, but_not=[*recipes, logbook, session])
    if not found.files and not found.unreadable:
        raise SessionError("There is no file to import in what was named. Give files, or a folder that holds some.")
    run = _Import(found, how, _Labeller.of(found, how, names, values, logbook, prefer_logbook), progress)
    result = add_files(path, run.read(strict=strict), create=True, keep_copies=keep_copies)
    return run.told(result, path)


@dataclass
class _Labeller:
    """Labels of the files of one call, by rank."""

    paths: dict[str, tuple[str, str]]  # full path -> path from the imported folder down, folders above
    labels: PathLabels
    own_patterns: Mapping[str, str]  # path -> pattern of its recipe
    books: list[Logbook]
    prefer: bool
    conflicts: list[str] = field(default_factory=list)

    @classmethod
    def of(
        cls, found: Found, how: HowToRead, names: Sequence[str], values: Mapping[str, str] | None,
        logbook: str | Path | None, prefer: bool,
    ) -> _Labeller:  # fmt: skip
        """From what the user says."""
        guess = list(names) != ["none"]
        own = {file.name: pattern for file in found.files if (pattern := how.recipe_for(file.name).file_name)}
        books = [*([read_logbook(logbook)] if logbook is not None else []), *([stated(values)] if values else [])]
        labels = PathLabels([file.name for file in found.files], names if guess else (), guess=guess)
        return cls({f.name: (f.name, f.above) for f in found.files}, labels, own, books, prefer)

    def label(self, file: LoadedFile) -> LoadedFile:
        """Fill in what a file does not say: by its name, then by what is stated and the logbook, which stand above."""
        sets = []
        labels = self.labels
        if pattern := self.own_patterns.get(file.path):
            labels = PathLabels((), [pattern], guess=False)
        for part in file.sets:
            said = labels.statements(file.path, part.kind, part.columns, range(len(part)))
            for book in self.books:
                said += statements_of(book, part.columns, {file.name: (file.path, file.above)})
            if not said:
                sets.append(part)
                continue
            table, disagree = fill(part.columns, said, prefer=self.prefer)
            self.conflicts += disagree
            sets.append(part.with_table(table))
        return replace(file, sets=tuple(sets))


class _Import:
    """The files of one call, read one at a time, and what there is to tell of them."""

    def __init__(
        self, found: Found, how: HowToRead, labeller: _Labeller, progress: Callable[[int, int], None] | None
    ) -> None:
        self.found, self.how, self.labeller, self.progress = found, how, labeller, progress
        self.left_out: list[tuple[str, str]] = list(found.unreadable)
        self.no_sweeps: list[str] = list(found.no_sweeps)

    def read(self, *, strict: bool) -> Iterator[LoadedFile]:
        """One file at a time: stored before the next is read, so that memory does not grow with the folder."""
        total = len(self.found.files)
        for done, file in enumerate(self.found.files, 1):
            try:
                yield self.labeller.label(self.how.read(file))
            except NoTable as error:
                if file.by_itself:
                    self.left_out.append((str(file.path), str(error)))
                else:
                    self.no_sweeps.append(str(file.path))
            except UnreadableFile as error:
                self.left_out.append((str(file.path), str(error)))
            except (MemoryError, RecursionError):
                raise
            except Exception as error:  # a mistake of ours with one file must not cost the others
                if os.environ.get("STS_TRACEBACK"):
                    raise
                why = f"{file.path.name}: stopped the reader ({type(error).__name__}: {error}). This is a bug in sts."
                self.left_out.append((str(file.path), why))
            if self.progress is not None:
                self.progress(done, total)
        if strict and self.left_out:
            raise UnreadableFile(
                f"{self.left_out[0][1]} (with --strict nothing was imported; {len(self.left_out)} of {total} files cannot "
                "be read)"
            )

    def told(self, result: ImportResult, session: Path) -> ImportResult:
        """The result with what was left out, how sweeps were labelled, and what is missing."""
        notes = [*result.notes, *self._of_labels(), *self._of_logbooks(result)]
        unassigned = total = 0
        proposal = ""
        if session.exists():
            sweeps = Session.open(session).sweeps()
            without = sweeps[sweeps["tip"] == ""]
            unassigned, total = len(without), len(sweeps)
            proposal = propose_names(session) if unassigned else ""
        return replace(
            result, left_out=self.left_out, conflicts=self.labeller.conflicts, notes=notes, no_sweeps=self.no_sweeps,
            unassigned=unassigned, total=total, proposed_names=proposal,
        )  # fmt: skip

    def _of_labels(self) -> list[str]:
        labels = self.labeller.labels.guessed
        notes = []
        if labels.patterns:
            looks = ", ".join(f"'{pattern}' ({count})" for pattern, count in labels.patterns[:3])
            rest = sum(count for _, count in labels.patterns[3:])
            notes.append(f"names look like {looks}" + (f" and others ({rest})" if rest else ""))
        said = [words for column in ("sample", "tip", "site") if (words := labels.summary(column))]
        if said:
            notes.append(f"from names: {'; '.join(said)}. A header or a logbook stands above a name.")
        if labels.clashes:
            notes.append(
                f"{labels.clashes[0]}: folder and name disagree; neither is taken ({len(labels.clashes)} files)."
            )
        return notes

    def _of_logbooks(self, result: ImportResult) -> list[str]:
        notes = []
        paths = list(self.labeller.paths.values())
        for book in self.labeller.books:
            none, every = book.reach(paths)
            notes += [f"{book.name}, {row}: fits no file." for row in none]
            notes += [f"{book.name}, {row}: fits every file ({len(paths)})." for row in every if book.rows[0].pattern != "*"
                      or len(book.rows) > 1]  # fmt: skip
            if result.repeated:
                notes.append(
                    f"{book.name} was not applied to the {len(result.repeated)} files that were there already; "
                    "'sts annotate' does that."
                )
        return notes


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
    places = _places_of(session)
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
            there = {name for name, (path, above) in places.items() if book.speaks_of(row, path, above)}
            names = sweeps["sweep"][sweeps["sweep"].isin(names) & sweeps["source"].isin(there)].tolist()
        if not names:
            raise _unusable(book, row, f"{row.pattern!r} fits no sweep. 'sts list SESSION --sources' shows the files")
        reasons.setdefault(reason, []).extend(name for name in names if name not in seen)
        seen.update(names)
    return {reason: names for reason, names in reasons.items() if names}


def _unusable(book: Logbook, row: LogRow, what: str) -> UnreadableFile:
    return UnreadableFile(f"{what}.", place=f"{book.name}, {row.place}")


def _places_of(session: Session) -> dict[str, tuple[str, str]]:
    """Of each file of a session its path from the imported folder down, and the folders above that."""
    sources = session.sources()
    return {
        str(name): (str(path) or str(name), str(above))
        for name, path, above in zip(sources["name"], sources["path"], sources["above"], strict=True)
    }


def preview_kinds(
    files: Iterable[str | Path], how: HowToRead, *, but_not: Sequence[str | Path] = ()
) -> tuple[list[tuple[Preview, list[str]]], Found]:
    """What would be read, one preview for each kind of file and the names of all files of it; and what was found.

    Files are of a kind if they have the same columns and the same entries in their header, or the same problem.
    """
    kinds: dict[tuple[object, ...], tuple[Preview, list[str]]] = {}
    found = find_files(files, but_not=but_not)
    for file in found.files:
        try:
            seen = how.preview(file)
        except UnreadableFile as error:
            found.unreadable.append((str(file.path), str(error)))
            continue
        if seen.no_table and not file.by_itself:
            found.no_sweeps.append(str(file.path))
            continue
        problem = re.sub(r"[-+]?\d+(?:\.\d+)?(?:e[-+]?\d+)?", "#", seen.problem.removeprefix(seen.name))
        columns = tuple(seen.columns[["column", "unit", "read_as", "direction"]].itertuples(index=False, name=None))
        key = (seen.reader, columns, tuple(seen.metadata["key"]), problem)
        kinds.setdefault(key, (seen, []))[1].append(file.name)
    return list(kinds.values()), found


def propose_names(session: str | Path) -> str:
    """A pattern that the names of files without a tip might follow; "" if they show none."""
    opened = Session.open(session)
    sweeps, sources = opened.sweeps(), opened.sources()
    files = set(sweeps.loc[sweeps["tip"] == "", "source"])
    return propose_pattern(
        [path or name for name, path in zip(sources["name"], sources["path"], strict=True) if name in files]
    )


@dataclass(frozen=True, eq=False)
class Annotated:
    """What a logbook changed in a session."""

    changes: pd.DataFrame  # one row a cell: sweep, column, before, after, ...
    conflicts: list[str]  # where session and logbook disagree, and whose word was taken
    unmatched: list[str]  # patterns that fit no file of the session
    notes: list[str] = field(default_factory=list)


def annotate_session(
    session: str | Path,
    logbook: str | Path | None = None,
    *,
    names: Sequence[str] = (),
    values: Mapping[str, str] | None = None,
    prefer_logbook: bool = False,
) -> Annotated:
    """Fill in what a session does not know of its sweeps, by a logbook, patterns of names, or values for all.

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
    """
    books = [*([read_logbook(logbook)] if logbook is not None else []), *([stated(values)] if values else [])]
    paths = _places_of(Session.open(session))
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
