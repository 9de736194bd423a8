"""Labels of sweeps by rank: the header first, then the logbook, then names of folders and files; and who said what."""

from __future__ import annotations

from collections.abc import Callable, Container, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from sts.loaders.loaded import LoadedFile, UnreadableFile, shown
from sts.loaders.path_names import Labels, labels_from_paths
from sts.loaders.patterns import check_pattern, values_from
from sts.loaders.values import alike, in_si
from sts.loaders.words import key_of
from sts.sweeps import DIRECTIONS, NUMBER_COLUMNS, SAID_BY, SweepSet

NAME = "name"  # who said it: the name of a folder or file
STATED = "--set"  # who said it: the user, of all sweeps that do not know
_NOT_COMPARED = ("repeat", "direction")  # a counter in a name is not expected to be the header's


Columns = Mapping[str, np.ndarray]  # of a table of sweeps (m,): texts as objects, numbers as float


@dataclass(frozen=True, eq=False)
class Statement:
    """Something said of some sweeps."""

    rows: Sequence[int]  # positions of these
    values: Mapping[str, str | float]
    source: str  # the logbook's name, `STATED` or `NAME`
    place: str  # in the source, for messages: "line 3"
    empty: tuple[str, ...] = ()  # columns that a logbook has and this row says nothing in

    @property
    def who(self) -> str:
        """In words."""
        return "its name" if self.source == NAME else f"{self.source}, {self.place},"


class Disagreement(str):
    """A sentence about two statements that disagree; `kind` is what it has in common with others like it."""

    kind: str

    def __new__(cls, sentence: str, kind: str) -> Disagreement:
        """A sentence with its kind."""
        made = super().__new__(cls, sentence)
        made.kind = kind
        return made


class PathLabels:
    """What the paths of the files of one call say of their sweeps.

    Parameters
    ----------
    paths : sequence of str
        Of all files: what a number or a direction in a name means shows in the others.
    patterns : sequence of str
        That the user gave; the first that fits a path is taken.
    guess : bool
        Whether words in the names (tipB, site3) are read where no pattern fits.

    Raises
    ------
    ValueError
        If a pattern cannot be used.
    """

    def __init__(self, paths: Sequence[str], patterns: Sequence[str] = (), *, guess: bool = True) -> None:
        for pattern in patterns:
            check_pattern(pattern)
        self._patterns = patterns
        self.guessed = labels_from_paths(paths) if guess else Labels()

    def of(self, path: str) -> dict[str, str | float]:
        """Column to value for the sweeps of a file.

        Parameters
        ----------
        path : str
            One of those that it was made with.

        Raises
        ------
        UnreadableFile
            If a field of a pattern that holds a number cannot be read as one.
        """
        said = next((found for p in self._patterns if (found := values_from(p, path))), None)
        said = self.guessed.values.get(path, {}) if said is None else said
        return dict(_value(key, text) for key, text in said.items())

    def statements(self, path: str, kind: str, columns: Columns, rows: Sequence[int]) -> list[Statement]:
        """What a path says of the sweeps of its file: `rows` of a table of one kind.

        A number is that of the repeat, and a word the direction, only where the file holds one sweep of its sort.

        Parameters
        ----------
        path : str
            One of those that it was made with.
        kind : str
            ``"iv"`` or ``"iz"``.
        columns : mapping
            Of the table.
        rows : sequence of int
            Positions of the file's sweeps in it.

        Raises
        ------
        UnreadableFile
            As `of`.
        """
        values = self.of(path)
        if not values or not len(rows):
            return []
        if len(rows) > 1:
            values.pop("direction", None)
        elif "direction" in values:
            word = str(values["direction"])
            up, down = DIRECTIONS[kind]
            values["direction"] = {"up": up, "down": down}.get(word, word)
            if values["direction"] not in DIRECTIONS[kind]:
                del values["direction"]
        if len(rows) > 1 and len({columns["direction"][i] for i in rows}) < len(rows):
            values.pop("repeat", None)
        return [Statement(rows, values, NAME, "")] if values else []


def _value(key: str, text: str) -> tuple[str, str | float]:
    """A field of a pattern as column and value; numbers in SI by the unit in the field's name."""
    column, unit, _ = key_of(key)
    column = column or key
    if column not in NUMBER_COLUMNS:
        bare = text.lstrip("0") or "0"
        return column, bare if text.isdecimal() and column in ("tip", "site", "sample") else text
    number, why = in_si(column, text, unit, ".")
    if number is None:
        raise UnreadableFile(f"the field {{{key}}} of the pattern of names is {shown(text)}, which {why}.")
    return column, number


def filled(
    file: LoadedFile, said: Callable[[SweepSet], list[Statement]], *, prefer: bool = False
) -> tuple[LoadedFile, list[Disagreement]]:
    """A file with what is said of its sweeps filled in, and a sentence for each disagreement.

    Parameters
    ----------
    file : LoadedFile
    said : callable
        The statements about one of its sets.
    prefer : bool
        As in `fill`.
    """
    sets: list[SweepSet] = []
    conflicts: list[Disagreement] = []
    for part in file.sets:
        if statements := said(part):
            table, found = fill(part.columns, statements, prefer=prefer)
            part, conflicts = part.with_table(table), conflicts + found
        sets.append(part)
    return replace(file, sets=tuple(sets)), conflicts


def fill(
    columns: Columns, statements: Sequence[Statement], *, prefer: bool = False, said_by: str = "the header"
) -> tuple[dict[str, np.ndarray], list[Disagreement]]:
    """Fill in what a table of sweeps (m rows) does not know.

    Parameters
    ----------
    columns : mapping
        With `sweep` and `source`; `said_by` of each row says which cells are not of the header.
    statements : sequence of Statement
        From first to last: what an earlier one has filled in, a later one does not change.
    prefer : bool
        Whether a logbook's word replaces the header's.
    said_by : str
        What to call whoever said what the table knows.

    Notes
    -----
    A logbook replaces what a name said, and what the same logbook said in an earlier call; a name replaces what a name
    said. All else that disagrees stays, and is reported.
    """
    count = len(columns["sweep"])
    cells: dict[str, list[Any]] = {}
    filled: dict[tuple[str, int], Statement] = {}  # cells filled in here
    origins = [_origins(text) for text in columns[SAID_BY]] if SAID_BY in columns else [{} for _ in range(count)]
    found: list[Disagreement] = []
    for statement in statements:
        by_name = statement.source == NAME
        for key, value in statement.values.items():
            unknown = np.nan if isinstance(value, float) else ""
            column = cells.setdefault(key, list(columns[key]) if key in columns else [unknown] * count)
            for i in statement.rows:
                known, origin, before = column[i], origins[i].get(key, ""), filled.get((key, i))
                if known == known and known != "":
                    if alike(known, value):
                        if not by_name and (
                            before is None or before.source == NAME
                        ):  # an earlier row of a logbook stands, whoever said so too
                            filled[key, i] = statement
                            if origin == NAME:
                                origins[i][key] = statement.source
                        continue
                    own = origin == statement.source or (origin == NAME and not by_name)
                    stands = statement.source == STATED or (before is not None and before.source != NAME)
                    wins = not stands and (own or (prefer and not by_name))
                    if (stands or not own) and not (by_name and key in _NOT_COMPARED):
                        who = before.who if before is not None else {NAME: "its name", "": said_by}.get(origin, origin)
                        found.append(_disagreement(str(columns["source"][i]), key, known, who, statement, value, wins))
                    if not wins:
                        continue
                column[i], filled[key, i] = value, statement
                origins[i][key] = statement.source
    found += _emptied(columns, statements, origins, filled)
    result = dict(columns)
    if filled:
        result |= {key: _column(column, key) for key, column in cells.items()}
        result[SAID_BY] = np.array([_origin_text(o) for o in origins], object)
    return result, list(dict.fromkeys(found))


def _emptied(
    columns: Columns, statements: Sequence[Statement], origins: Sequence[Mapping[str, str]], filled: Container[Any]
) -> list[Disagreement]:
    """Cells that a logbook filled in an earlier call, and is silent about now."""
    return [
        Disagreement(
            f"{columns['source'][i]}: {statement.who} leaves {key} empty, and said {_said(columns[key][i])} before; that "
            "stands.",
            f"{statement.source} leaves {key} empty where it said something before; that stands",
        )
        for statement in statements
        for key in statement.empty
        for i in statement.rows
        if origins[i].get(key) == statement.source and (key, i) not in filled
    ]


def _column(cells: list[Any], key: str) -> np.ndarray:
    if key in NUMBER_COLUMNS or all(isinstance(v, float) for v in cells):
        return np.array(cells, float)
    texts = np.empty(len(cells), object)
    texts[:] = ["" if v != v else v if isinstance(v, str) else f"{v:.9g}" for v in cells]
    return texts


def _origins(text: str) -> dict[str, str]:
    return dict(part.split("=", 1) for part in text.split(";") if "=" in part)


def _disagreement(
    file: str, key: str, known: Any, who: str, statement: Statement, value: str | float, won: bool
) -> Disagreement:
    """What `who` says of a cell against a statement, and whose word was taken."""
    taken = "the logbook" if won else who.rstrip(",")
    sentence = f"{file}: {who} says {key} is {_said(known)}, {statement.who} says {_said(value)}; {taken} was taken."
    one, other = who.split(",")[0], statement.who.split(",")[0]
    sides, winner = (f"{one} and {other}", taken.split(",")[0]) if one != other else (f"lines of {one}", "the first")
    return Disagreement(sentence, f"{sides} disagree on {key}; {winner} was taken")


def _origin_text(origins: Mapping[str, str]) -> str:
    return ";".join(f"{key}={source.replace(';', ',').replace('=', '-')}" for key, source in origins.items())


def _said(value: Any) -> str:
    return f"{value:.6g}" if isinstance(value, float) else shown(str(value))
