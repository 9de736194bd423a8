"""What a loader hands over: the sweeps of one file with its bytes, or one clear line why not."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Any, Self

import pandas as pd

from sts.showing import Shown
from sts.sweeps import SweepSet


class UnreadableFile(ValueError):
    """A file that cannot be used. The text is one line: file, place, what was found and expected, what to do.

    Examples
    --------
    >>> from sts import UnreadableFile
    >>> error = UnreadableFile("found 'x', expected a number. Correct the cell.", place="line 3")
    >>> print(error.inside("heron.txt"))
    heron.txt, line 3: found 'x', expected a number. Correct the cell.
    """

    def __init__(self, message: str, *, place: str = "", **about: Any) -> None:
        self.message, self.place, self._about = _one_line(message), _one_line(place), about
        vars(self).update(about)  # what whoever catches it goes on with
        super().__init__(f"{self.place}: {self.message}" if place else self.message)

    def __reduce__(self) -> tuple[Any, ...]:
        """For a pickle: by default a place would be told, and forgotten."""
        return _again, (type(self), self.message, self.place, self._about)

    def inside(self, place: str) -> Self:
        """The same, with the place that it lies in before its own: a sheet, a member of an archive, the file.

        Parameters
        ----------
        place : str
        """
        return type(self)(self.message, place=f"{place}, {self.place}" if self.place else place, **self._about)


def _again(kind: type[UnreadableFile], message: str, place: str, about: dict[str, Any]) -> UnreadableFile:
    return kind(message, place=place, **about)


class Notes(list[str]):
    """Notes in order, each once."""

    def add(self, note: str) -> None:
        """Add a note that is not there yet.

        Parameters
        ----------
        note : str
        """
        if note not in self:
            self.append(note)


def _one_line(text: str) -> str:
    return re.sub(r"\s+", " ", "".join(c if c.isprintable() else " " for c in text)).strip()


@dataclass(frozen=True, eq=False, repr=False)
class LoadedFile(Shown):
    """The sweeps of one file, in SI units, with everything needed to read it again.

    Parameters
    ----------
    name : str
        File name without folder.
    content : bytes
        The original bytes.
    reader : str
        What read it: ``"text"``, ``"npy"``, ``"npz"``, ``"matlab"``, ``"workbook"`` or ``"hdf5"``.
    recipe : str
        TOML text of the recipe used, "" if none.
    sets : tuple of SweepSet
        One for each kind and axis found.
    notes : tuple of str
        What the user should know: a fallback of the encoding, a sign turned, a last line cut off, ...
    folder, above : str
        Where the file lay: from the imported folder down, and the folders above, with ``/`` between.
    modified : str
        When it was last written, ISO 8601.
    height_said : bool
        Whether recipe, header or a column's name say which way the height of its I(z) sweeps grows; true without such.

    Examples
    --------
    >>> from sts import LoadedFile
    >>> file = LoadedFile("heron.txt", b"", "text", "", (), folder="2024/gold")
    >>> file.path
    '2024/gold/heron.txt'
    """

    name: str
    content: bytes = field(repr=False)
    reader: str
    recipe: str
    sets: tuple[SweepSet, ...]
    notes: tuple[str, ...] = ()
    folder: str = ""
    above: str = ""
    modified: str = ""
    height_said: bool = True

    @property
    def path(self) -> str:
        """Folder and name, with ``/`` between."""
        return f"{self.folder}/{self.name}" if self.folder else self.name


@dataclass(frozen=True, eq=False, repr=False)
class Preview(Shown):
    """What would be read from a file, and what each number and name was taken for.

    Parameters
    ----------
    name, reader : str
        The file and what reads it.
    columns : pandas.DataFrame
        One row per column: `column`, `unit`, `read_as` ("" if unused), `direction`, `repeat`, `first` (first values).
    metadata : pandas.DataFrame
        One row an entry of the header: `key`, `value`, `place`, `read_as` ("" if unused).
    sweeps : pandas.DataFrame
        One row per sweep that would be read: `sweep`, `kind`, `points`, `axis_from`, `axis_to`, and what is known of it.
    notes : tuple of str
        As in `LoadedFile`.
    problem : str
        Why the file cannot be read as it is; "" if it can.
    recipe : str
        A starting recipe (TOML) with what was understood filled in and what was not left to fill in.
    no_table : bool
        Whether it holds no table that could be one of sweeps, such as notes.
    """

    name: str
    reader: str
    columns: pd.DataFrame
    metadata: pd.DataFrame
    sweeps: pd.DataFrame
    notes: tuple[str, ...]
    problem: str
    recipe: str
    no_table: bool = False

    def __str__(self) -> str:
        """All of it as plain text, for a terminal."""
        reads = f"read as {self.reader}, {len(self.sweeps)} sweeps"
        parts = [self.problem if self.problem.startswith(self.name) else f"{self.name}: {self.problem or reads}"]
        for title, table in (("Columns", self.columns), ("Header", self.metadata), ("Sweeps", self.sweeps.head(12))):
            if len(table):
                parts += ["", f"{title}:", table.to_string(index=False, max_colwidth=40, na_rep="", max_rows=40)]
        if len(self.sweeps) > 12:
            parts.append(f"... and {len(self.sweeps) - 12} more")
        parts += ["", "Notes:", *(f"- {note}" for note in self.notes)] if self.notes else []
        started = "\n" in self.recipe.strip()  # else there is only the line that says whose it is
        return "\n".join([*parts, "", "A recipe to start from:", "", self.recipe] if started else parts)


def shown(text: str, *, limit: int = 40) -> str:
    """A piece of a file as quoted in a message: printable, and not too long.

    Parameters
    ----------
    text : str
    limit : int
        The most characters that are quoted.
    """
    clean = "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text)
    return f"'{clean}'" if len(clean) <= limit else f"'{clean[:limit]}...'"


def library_words(error: BaseException, *, limit: int = 300) -> str:
    """What a library says of a file, in one line that is not too long: some quote the file from a damaged place to its end.

    Parameters
    ----------
    error : BaseException
    limit : int
        The most characters that are told.
    """
    words = " ".join(str(error).split())
    return words if len(words) <= limit else f"{words[:limit]}..."
