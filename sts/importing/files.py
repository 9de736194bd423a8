"""From files to a session: read, label, store, in one change."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from sts.importing.heights import GROWS, Heights
from sts.importing.labels import propose_names
from sts.loaders import LoadedFile, UnreadableFile, read_recipe
from sts.loaders.bare import named_columns
from sts.loaders.dialect import NoTable
from sts.loaders.folders import Found, find_files
from sts.loaders.how import HowToRead
from sts.loaders.labels import PathLabels, Statement, filled
from sts.loaders.logbook import logbooks_of, statements_of
from sts.session import ImportResult, Session, SessionError, add_files
from sts.sweeps import SweepSet

DECIMALS = {"": "", "comma": ",", "point": ".", ",": ",", ".": "."}


@dataclass(frozen=True)
class ImportOptions:
    """How the files of a call are read and labelled; `import_files` takes each field as a keyword as well.

    Parameters
    ----------
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
    rows : sequence of str
        Names for files that hold their values in rows: ``"z (m), I (A)"``. Of several the one is taken whose quantities
        fit the numbers of a file.
    decimal : str
        ``"comma"`` or ``"point"``, for files in which a comma may be either.
    height_grows : str
        ``"away"`` from the surface or ``"towards"`` it, where the files of I(z) do not say it. Without, heights are turned
        where the current of all sweeps grows with them, and a note says so.
    prefer_logbook : bool
        Whether the logbook wins where a header disagrees with it.
    keep_copies : bool
        Whether sweeps whose numbers are there already count as new ones.
    strict : bool
        Whether one unreadable file stops everything.
    """

    recipe: str | Path | Sequence[str | Path] | None = None
    logbook: str | Path | None = None
    names: Sequence[str] = ()
    values: Mapping[str, str] | None = None
    columns: Sequence[str] = ()
    rows: Sequence[str] = ()
    decimal: str = ""
    height_grows: str = ""
    prefer_logbook: bool = False
    keep_copies: bool = False
    strict: bool = False


def how_to_read(
    recipe: str | Path | Sequence[str | Path] | None = None, columns: Sequence[str] = (), decimal: str = "",
    *, rows: Sequence[str] = (),
) -> HowToRead:  # fmt: skip
    """How each file of a call is read.

    Parameters
    ----------
    recipe, columns, decimal, rows
        As in `ImportOptions`.

    Raises
    ------
    PlanError, ValueError
        If a recipe or a text cannot be used.
    """
    if decimal not in DECIMALS:
        raise ValueError(f"the decimal mark is '{decimal}'; use comma or point.")
    recipes = tuple(read_recipe(path) for path in _paths(recipe))
    named, in_rows = (tuple(named_columns(text) for text in texts) for texts in (columns, rows))
    return HowToRead(recipes, named, in_rows, DECIMALS[decimal])


def _paths(recipe: str | Path | Sequence[str | Path] | None) -> list[str | Path]:
    return [recipe] if isinstance(recipe, (str, Path)) else list(recipe or ())


def import_files(
    files: Iterable[str | Path],
    session: str | Path,
    options: ImportOptions | None = None,
    *,
    progress: Callable[[int, int], None] | None = None,
    **more: Any,
) -> ImportResult:
    r"""Read files (or whole folders) into a session, made if it is not there.

    Parameters
    ----------
    files : iterable of path
    session : path
        Changed once, at the end, or not at all.
    options : ImportOptions, optional
    progress : callable(done, total), optional
    **more
        Fields of `ImportOptions`, each as a keyword: `recipe`, `logbook`, `names`, `values`, `columns`, `rows`, `decimal`,
        `height_grows`, `prefer_logbook`, `keep_copies`, `strict`.

    Returns
    -------
    ImportResult
        With the files left out and why.

    Raises
    ------
    UnreadableFile, PlanError, SessionError
        If the logbook, the recipe or the session cannot be used; with `strict`, if any file cannot be read.
    TypeError
        If a keyword is no field of `ImportOptions`.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> import sts
    >>> folder = Path(tempfile.mkdtemp())
    >>> _ = (folder / "tipB_site3.txt").write_text("V (mV);I (pA)\n-10;-25\n0;0\n10;25\n")
    >>> result = sts.import_files([folder / "tipB_site3.txt"], folder / "bench.h5", values={"sample": "gold"})
    >>> result.sweeps, result.left_out
    (1, [])
    >>> sts.Session.open(folder / "bench.h5").sweeps()[["sample", "tip", "site"]].values.tolist()
    [['gold', 'B', '3']]
    """
    options = replace(options or ImportOptions(), **more)
    path = Path(session)
    if path.exists():
        Session.open(path)  # a file that is no session is refused before any work
    if options.height_grows not in GROWS:
        raise ValueError(f"the height grows '{options.height_grows}'; use away or towards (the surface).")
    how = how_to_read(options.recipe, options.columns, options.decimal, rows=options.rows)
    found = find_files(files, but_not=[*_paths(options.recipe), options.logbook, session])
    if not found.files and not found.unreadable:
        raise SessionError("There is no file to import in what was named. Give files, or a folder that holds some.")
    run = _Import(found, how, options, progress)
    result = add_files(path, run.read(), create=True, keep_copies=options.keep_copies)
    return run.told(result, path)


class _Import:
    """The files of one call, read and labelled one at a time, and what there is to tell of them."""

    def __init__(
        self, found: Found, how: HowToRead, options: ImportOptions, progress: Callable[[int, int], None] | None
    ) -> None:
        self.found, self.how, self.options, self.progress = found, how, options, progress
        self.books = logbooks_of(options.logbook, options.values)
        guess = list(options.names) != ["none"]
        self.labels = PathLabels([file.name for file in found.files], options.names if guess else (), guess=guess)
        self.heights = Heights(how, options.height_grows)
        self.left_out: list[tuple[str, str]] = list(found.unreadable)
        self.no_sweeps: list[str] = list(found.no_sweeps)
        self.conflicts: list[str] = []

    def _labelled(self, file: LoadedFile) -> LoadedFile:
        """Fill in what a file does not say: by its name, then by what is stated and the logbook, which stand above."""
        own = self.how.recipe_for(file.path).file_name
        labels = PathLabels((), [own], guess=False) if own else self.labels
        place = {file.name: (file.path, file.above)}

        def said(part: SweepSet) -> list[Statement]:
            found = labels.statements(file.path, part.kind, part.columns, range(len(part)))
            return found + [s for book in self.books for s in statements_of(book, part.columns, place)]

        labelled, conflicts = filled(file, said, prefer=self.options.prefer_logbook)
        self.conflicts += conflicts
        return labelled

    def read(self) -> Iterator[LoadedFile]:
        """One file at a time: stored before the next is read, so that memory does not grow with the folder."""
        total = len(self.found.files)
        for done, file in enumerate(self.found.files, 1):
            try:
                for loaded in self.heights.take(file, self.how.read(file)):
                    yield self._labelled(loaded)
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
        for loaded in self.heights.rest():
            yield self._labelled(loaded)
        self.left_out += self.heights.left_out
        if self.options.strict and self.left_out:
            raise UnreadableFile(
                f"{self.left_out[0][1]} (with --strict nothing was imported; {len(self.left_out)} of {total} files cannot "
                "be read)"
            )

    def told(self, result: ImportResult, session: Path) -> ImportResult:
        """The result with what was left out, how sweeps were labelled, and what is missing."""
        heights = [self.heights.note] if self.heights.note else []
        notes = [*result.notes, *heights, *self._of_labels(), *self._of_logbooks(result)]
        unassigned = total = 0
        proposal = ""
        if session.exists():
            sweeps = Session.open(session).sweeps()
            without = sweeps[sweeps["tip"] == ""]
            unassigned, total = len(without), len(sweeps)
            proposal = propose_names(session) if unassigned else ""
        return replace(
            result, left_out=self.left_out, conflicts=self.conflicts, notes=notes, no_sweeps=self.no_sweeps,
            unassigned=unassigned, total=total, proposed_names=proposal,
        )  # fmt: skip

    def _of_labels(self) -> list[str]:
        labels = self.labels.guessed
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
        paths = list({file.name: (file.name, file.above) for file in self.found.files}.values())
        for book in self.books:
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
