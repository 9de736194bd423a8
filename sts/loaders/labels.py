"""Labels of sweeps by rank: the header first, then the logbook, then names of folders and files; and who said what."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from sts.loaders.loaded import UnreadableFile, shown
from sts.loaders.metadata import in_si
from sts.loaders.name_patterns import check_pattern, values_from
from sts.loaders.path_names import Labels, labels_from_paths
from sts.loaders.words import key_of
from sts.sweeps import DIRECTIONS, NUMBER_COLUMNS, SAID_BY, SweepSet

NAME = "name"  # who said it: the name of a folder or file
_NOT_COMPARED = ("repeat", "direction")  # a counter in a name is not expected to be the header's


@dataclass(frozen=True, eq=False)
class Statement:
    """Something said of some sweeps."""

    rows: np.ndarray  # (m,) bool: of which
    values: Mapping[str, str | float]
    source: str  # the logbook's name, or `NAME`
    place: str  # in the source, for messages: "line 3"

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
        """Column to value for the sweeps of a file."""
        said = next((found for p in self._patterns if (found := values_from(p, path))), None)
        said = self.guessed.values.get(path, {}) if said is None else said
        return dict(_value(key, text) for key, text in said.items())

    def applied(self, path: str, sweeps: SweepSet) -> SweepSet:
        """Sweeps of one file with what its path says of them filled in."""
        said = self.statements(path, sweeps.kind, sweeps.table, np.ones(len(sweeps), bool))
        return replace(sweeps, table=fill(sweeps.table, said)[0]) if said else sweeps

    def statements(self, path: str, kind: str, table: pd.DataFrame, rows: np.ndarray) -> list[Statement]:
        """What a path says of the sweeps of its file: `rows` (m,) of a table of one kind.

        A number is that of the repeat, and a word the direction, only where the file holds one sweep of its sort.
        """
        values = self.of(path)
        count = int(rows.sum())
        if count > 1:
            values.pop("direction", None)
        elif "direction" in values:
            word = str(values["direction"])
            up, down = DIRECTIONS[kind]
            values["direction"] = {"up": up, "down": down}.get(word, word)
            if values["direction"] not in DIRECTIONS[kind]:
                del values["direction"]
        if count > 1 and table.loc[rows, "direction"].duplicated().any():
            values.pop("repeat", None)
        return [Statement(rows, values, NAME, "")] if values and count else []


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


def fill(
    table: pd.DataFrame,
    statements: Sequence[Statement],
    *,
    prefer: bool = False,
    said_by: str = "the header",
) -> tuple[pd.DataFrame, list[Disagreement]]:
    """Fill in what a table of sweeps (m rows) does not know.

    Parameters
    ----------
    table : pandas.DataFrame
        With `source`; `said_by` of each row says which cells are not of the header.
    statements : sequence of Statement
        From first to last: what an earlier one has filled in, a later one does not change.
    prefer : bool
        Whether a logbook's word replaces the header's.
    said_by : str
        What to call whoever said what the table knows.

    Notes
    -----
    A logbook replaces what a name said, and what the same logbook said before; a name replaces what a name said. All
    else that disagrees stays, and is reported.
    """
    columns: dict[str, np.ndarray] = {}
    filled: dict[str, np.ndarray] = {}  # column -> which statement filled each cell in, from 1
    origins = [dict(part.split("=", 1) for part in cell.split(";") if "=" in part) for cell in _texts(table, SAID_BY)]
    changed = np.zeros(len(table), bool)
    found: list[Disagreement] = []
    for number, statement in enumerate(statements, 1):
        for key, value in statement.values.items():
            column = columns.setdefault(key, _cells(table, key, value))
            by = filled.setdefault(key, np.zeros(len(table), int))
            places = np.flatnonzero(statement.rows)
            known = np.array([v == v and v != "" for v in column[places]], bool)
            other = known & ~np.array([_same(v, value) for v in column[places]], bool)
            origin = np.array([origins[i].get(key, "") for i in places], object)
            own = (origin == statement.source) | ((origin == NAME) & (statement.source != NAME))
            stands = np.array([b > 0 and statements[b - 1].source != NAME for b in by[places]], bool)
            wins = other & ~stands & (own | (prefer & (statement.source != NAME)))
            told = other & ~(own & ~stands)
            if not (statement.source == NAME and key in _NOT_COMPARED):
                for i, won in zip(places[told], wins[told], strict=True):
                    earlier = statements[by[i] - 1].who if by[i] else ""
                    who = earlier or {NAME: "its name", "": said_by}.get(
                        origins[i].get(key, ""), origins[i].get(key, "")
                    )
                    found.append(
                        _disagreement(str(table["source"].iloc[i]), key, column[i], who, statement, value, won)
                    )
            take = places[~known | wins]
            column[take], by[take], changed[take] = value, number, True
            for i in take:
                origins[i][key] = statement.source
    if not columns:
        return table, list(dict.fromkeys(found))
    result = table.assign(**{key: _column(cells) for key, cells in columns.items()})
    texts = np.array(_texts(table, SAID_BY), object)
    texts[changed] = [_origin_text(origins[i]) for i in np.flatnonzero(changed)]
    return result.assign(**{SAID_BY: texts}), list(dict.fromkeys(found))


def _disagreement(
    file: str, key: str, known: Any, who: str, statement: Statement, value: str | float, won: bool
) -> Disagreement:
    """What `who` says of a cell against a statement, and whose word was taken."""
    taken = "the logbook" if won else who.rstrip(",")
    sentence = f"{file}: {who} says {key} is {_said(known)}, {statement.who} says {_said(value)}; {taken} was taken."
    sides = f"{who.split(',')[0]} and {statement.who.split(',')[0]}"
    return Disagreement(sentence, f"{sides} disagree on {key}; {taken.split(',')[0]} was taken")


def _texts(table: pd.DataFrame, column: str) -> list[str]:
    return [str(v) for v in table[column]] if column in table else [""] * len(table)


def _origin_text(origins: Mapping[str, str]) -> str:
    return ";".join(f"{key}={source.replace(';', ',').replace('=', '-')}" for key, source in origins.items())


def _cells(table: pd.DataFrame, key: str, value: str | float) -> np.ndarray:
    """The cells of a column, ready to take texts and numbers."""
    if key in table:
        return table[key].to_numpy(object).copy()
    return np.full(len(table), np.nan if isinstance(value, float) else "", object)


def _column(cells: np.ndarray) -> Any:
    return cells.astype(float) if all(isinstance(v, float) for v in cells) else pd.Series(list(cells), dtype=object)


def _same(known: Any, value: str | float) -> bool:
    if isinstance(value, float):
        return isinstance(known, float) and bool(np.isclose(known, value, rtol=1e-6, atol=0))
    return str(known).strip().casefold() == value.strip().casefold()


def _said(value: Any) -> str:
    return f"{value:.6g}" if isinstance(value, float) else shown(str(value))
