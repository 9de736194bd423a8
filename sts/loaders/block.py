"""What every reader makes of a file before anyone asks what it means: blocks of named columns with a header."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np


@dataclass(frozen=True)
class Entry:
    """One ``key: value`` of a header, and where it stood."""

    key: str
    value: str
    place: str  # "line 3", "sheet 'Info', row 2", "attribute of /entry"
    folder: str = ""  # of an array file: that of the group or structure it belongs to


@dataclass(frozen=True, eq=False)
class Column:
    """One column as written: numbers not yet in SI, or text."""

    name: str
    unit: str  # from a row of units or an attribute; "" where the name may hold it
    values: np.ndarray  # float or object: (n,), or for arrays (m, n) and (m,)
    path: str = ""  # where it is in the file, for arrays


@dataclass(frozen=True, eq=False)
class Block:
    """One table of a file."""

    columns: list[Column]
    header: list[Entry]
    decimal: str = "."
    breaks: tuple[int, ...] = ()  # rows before which an empty line or a comment stands
    place: str = ""  # for messages: "line 12", "sheet 'A'"
    notes: list[str] = field(default_factory=list)
    title: str = ""  # of one table among several: sheet, group, structure or the line above it
    in_rows: bool = False  # whether the file holds a line of numbers for each column
