"""The data model: a `SweepSet` is m sweeps of one kind on one common axis."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, overload

import numpy as np
import pandas as pd

from sts.showing import Shown

KINDS = {"iv": "bias", "iz": "height"}  # kind: name of its axis
KIND_WORDS = {"iv": "I(V)", "iz": "I(z)"}
AXIS_UNITS = {"iv": "V", "iz": "m"}
DIRECTIONS = {"iv": ("up", "down"), "iz": ("retract", "approach")}

SAID_BY = "said_by"  # which labels are not the header's: "tip=name;site=logbook.csv"
TEXT_COLUMNS = ("sweep", "sample", "tip", "site", "direction", "started", SAID_BY, "source")
NUMBER_COLUMNS = (
    "repeat", "x_m", "y_m", "temperature_K", "setpoint_current_A", "setpoint_bias_V", "bias_V", "duration_s",
    "full_scale_A", "modulation_V",
)  # fmt: skip
COLUMNS = (
    "sweep", "sample", "tip", "site", "direction", "repeat", "x_m", "y_m", "started", "temperature_K",
    "setpoint_current_A", "setpoint_bias_V", "bias_V", "duration_s", "full_scale_A", "modulation_V", SAID_BY, "source",
)  # fmt: skip

_TEXTS = frozenset(TEXT_COLUMNS)
_NUMBERS = frozenset(NUMBER_COLUMNS)
_DERIVED = ("_frame", "names", "has_current")  # from the values of a set when first asked for, and kept


def with_day(table: pd.DataFrame) -> pd.DataFrame:
    """The table with a column `day`; where it has none, all its rows are of one day, "".

    Parameters
    ----------
    table : pandas.DataFrame
        Of sweeps, repeats or sites.
    """
    return table if "day" in table else table.assign(day="")


class _Table:
    """The field `table`: handed over as a frame or as columns, made a frame when it is first asked for.

    The import of a thousand files with one sweep each would otherwise spend most of its time on frames of one row.
    """

    @overload
    def __get__(self, sweeps: None, owner: type) -> _Table: ...
    @overload
    def __get__(self, sweeps: SweepSet, owner: type) -> pd.DataFrame: ...
    def __get__(self, sweeps: SweepSet | None, owner: type) -> _Table | pd.DataFrame:
        if sweeps is None:
            raise AttributeError("table")  # so that the field has no default
        state = vars(sweeps)
        if "_frame" not in state:
            state["_frame"] = _frame(sweeps.columns, len(sweeps))
        frame: pd.DataFrame = state["_frame"]
        return frame

    def __set__(self, sweeps: SweepSet, table: pd.DataFrame | Mapping[str, Any]) -> None:
        vars(sweeps)["_columns"] = table


@dataclass(frozen=True, eq=False, repr=False)
class SweepSet(Shown):
    """m sweeps of one kind on one axis of n points.

    Parameters
    ----------
    kind : str
        ``"iv"`` or ``"iz"``.
    axis : array_like, shape (n,)
        Ascending: bias of the sample relative to the tip [V], or height, growing away from the surface [m].
    current : array_like, shape (m, n)
        Tunnelling current [A]; NaN where unknown. All NaN where only a lock-in channel was recorded.
    table : pandas.DataFrame
        One row per sweep, in the order of `current`. Missing columns are added as unknown (NaN or ""); columns of
        the user's own (from a logbook, say) are kept. `sweep` must be there, unique and not empty. A mapping of
        columns (m,) will do.
    lockin : array_like, shape (m, n), optional
        Lock-in channel in `lockin_unit`.
    lockin_unit : str
        ``"S"`` where the file says it is a conductance; else what it says ("V", "ohm", ...), or "" if unknown.
        Only siemens may be treated as dI/dV in absolute terms.
    notes : tuple of str
        What was done when they were read: a sign turned, ends cut, ...

    Raises
    ------
    ValueError
        If shapes, order or names do not fit; the text says which and what to do.

    Examples
    --------
    >>> table = sts.sweep_table(["a", "b"], tip="heron", direction=["up", "down"])
    >>> sweeps = sts.SweepSet("iv", [-1.0, 0.0, 1.0], np.array([[-1e-9, 0, 1e-9], [-2e-9, 0, 2e-9]]), table)
    >>> len(sweeps), sweeps.names
    (2, ['a', 'b'])
    >>> sweeps.select(sweeps.table["direction"] == "down").current.tolist()
    [[-2e-09, 0.0, 2e-09]]
    """

    kind: str
    axis: np.ndarray
    current: np.ndarray
    table: _Table = _Table()  # no default: see there
    lockin: np.ndarray | None = None
    lockin_unit: str = ""
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise ValueError(f"kind is '{self.kind}'; it must be 'iv' (bias sweeps) or 'iz' (height sweeps).")
        axis = np.ascontiguousarray(self.axis, float)
        current = np.ascontiguousarray(self.current, float)
        name = KINDS[self.kind]
        if axis.ndim != 1 or axis.size < 2 or not np.isfinite(axis).all():
            raise ValueError(
                f"The {name} axis must be one row of at least 2 finite numbers; it has shape {axis.shape} and "
                f"{np.sum(~np.isfinite(axis))} that are not finite."
            )
        ascends = axis[1:] > axis[:-1]
        if not ascends.all():
            first = int(np.argmin(ascends))
            raise ValueError(
                f"The {name} axis must ascend; point {first + 2} ({axis[first + 1]:g}) does not follow "
                f"{axis[first]:g}. Sort the points, and average repeated ones, before making a SweepSet."
            )
        if current.ndim != 2 or current.shape[1] != axis.size or not current.shape[0]:
            raise ValueError(
                f"current must have shape (sweeps, {axis.size}) to match the {name} axis; it has {current.shape}."
            )
        object.__setattr__(self, "axis", axis)
        object.__setattr__(self, "current", current)
        if self.lockin is not None:
            lockin = np.ascontiguousarray(self.lockin, float)
            if lockin.shape != current.shape:
                raise ValueError(f"lockin must have the shape of current, {current.shape}; it has {lockin.shape}.")
            object.__setattr__(self, "lockin", lockin)
        vars(self)["_columns"] = _checked_columns(self.columns, len(current))

    def __len__(self) -> int:
        return len(self.current)

    def _words(self) -> str:
        scale, unit = (1.0, "V") if self.kind == "iv" else (1e9, "nm")
        tips = ", ".join(dict.fromkeys(map(str, self.columns.get("tip", ()))))
        return (f"{len(self)} {KIND_WORDS[self.kind]} sweeps on {self.axis.size} points, {self.axis[0] * scale:.4g} to "
                f"{self.axis[-1] * scale:.4g} {unit}{f'; tip {tips[:60]}' if tips else ''}")  # fmt: skip

    @property
    def columns(self) -> Mapping[str, np.ndarray]:
        """The columns of the table that were handed over, as arrays (m,); what is missing is unknown."""
        columns: Mapping[str, np.ndarray] = vars(self)["_columns"]
        return columns

    @cached_property
    def names(self) -> list[str]:
        """The sweeps' names, in order."""
        return list(self.columns["sweep"])

    @cached_property
    def has_current(self) -> bool:
        """Whether any current was recorded (false for lock-in-only files)."""
        return bool(np.isfinite(self.current).any())

    @property
    def signal(self) -> np.ndarray:
        """The current (m, n), or the lock-in channel where no current was recorded."""
        return self.current if self.has_current or self.lockin is None else self.lockin

    def with_table(self, table: pd.DataFrame | Mapping[str, Any]) -> SweepSet:
        """The same sweeps with another table, whose rows are checked; the numbers, checked before, are not copied.

        Parameters
        ----------
        table : pandas.DataFrame or mapping of columns (m,)

        Raises
        ------
        ValueError
            If its rows do not fit, or names are missing or repeated.
        """
        other = self._alike()
        vars(other)["_columns"] = _checked_columns(table, len(self))
        return other

    def one(self, row: int) -> SweepSet:
        """One of the sweeps as a set of its own, without a frame for its table: a look-up.

        Parameters
        ----------
        row : int
            Its position.
        """
        rows = slice(row, row + 1)
        other = self._alike()
        vars(other).update(current=self.current[rows], lockin=None if self.lockin is None else self.lockin[rows])
        vars(other)["_columns"] = {name: values[rows] for name, values in self.columns.items()}
        return other

    def _alike(self) -> SweepSet:
        """Another of the same values, unchecked, without what was derived from them."""
        other = object.__new__(SweepSet)
        vars(other).update({name: value for name, value in vars(self).items() if name not in _DERIVED})
        return other

    def number(self, column: str) -> np.ndarray:
        """A column of numbers of the table (m,), NaN where it is not there.

        Parameters
        ----------
        column : str
        """
        return np.asarray(self.columns.get(column, np.full(len(self), np.nan)), float)

    def select(self, rows: Any) -> SweepSet:
        """Some of the sweeps as a new set.

        Parameters
        ----------
        rows : array_like
            Boolean mask (m,), or positions.

        Raises
        ------
        ValueError
            If nothing is picked.
        """
        rows = np.asarray(rows)
        rows = np.flatnonzero(rows) if rows.dtype == bool else rows
        if not rows.size:
            raise ValueError("No sweep is left: every sweep of this set was left out.")
        return replace(
            self,
            current=self.current[rows],
            lockin=None if self.lockin is None else self.lockin[rows],
            table=self.table.iloc[rows].reset_index(drop=True),
        )


def _checked_columns(table: Mapping[str, Any] | pd.DataFrame, sweeps: int) -> dict[str, np.ndarray]:
    """The columns of a per-sweep table as arrays (m,): texts as objects, numbers as float.

    Raises
    ------
    ValueError
        If the number of rows is not `sweeps`, or names are missing or repeated.
    """
    if "sweep" not in table:
        raise ValueError("The table has no column 'sweep'; every sweep needs a unique name.")
    rows = len(table["sweep"])
    if rows != sweeps:
        raise ValueError(f"The table has {rows} rows for {sweeps} sweeps; it needs one row per sweep.")
    columns = {str(column): _array(str(column), values) for column, values in table.items()}
    names = columns["sweep"].tolist()
    if "" in names:
        raise ValueError("A sweep has no name; every sweep needs a unique one in the column 'sweep'.")
    if len(set(names)) < len(names):
        twice = next(name for name, count in Counter(names).items() if count > 1)
        raise ValueError(f"Two sweeps are called '{twice}'; names must be unique.")
    return columns


def _array(column: str, values: Any) -> np.ndarray:
    if column in _NUMBERS:
        known = isinstance(values, np.ndarray | pd.Series) and values.dtype == float
        return np.asarray(values if known else pd.to_numeric(values), float)
    array = np.asarray(values)
    if column not in _TEXTS and array.dtype.kind in "biufc":
        return array
    if array.dtype == object and all(type(value) is str for value in array.tolist()):
        return array
    cells = np.empty(len(array), object)
    cells[:] = [value if type(value) is str else _text(value) for value in array.tolist()]
    return cells


def _frame(columns: Mapping[str, np.ndarray], sweeps: int) -> pd.DataFrame:
    """The table of these columns, those that are missing as unknown."""
    order = [*COLUMNS, *(c for c in columns if c not in COLUMNS)]
    # Texts as one array of objects and numbers as one of floats: much quicker than a frame built column by column.
    texts = [c for c in order if c in _TEXTS or (c not in _NUMBERS and columns[c].dtype == object)]
    text_block = np.full((sweeps, len(texts)), "", object)
    number_block = np.full((sweeps, len(NUMBER_COLUMNS)), np.nan)
    for block, names in ((text_block, texts), (number_block, list(NUMBER_COLUMNS))):
        for i, column in enumerate(names):
            if column in columns:
                block[:, i] = columns[column]
    parts = [pd.DataFrame(text_block, columns=texts, dtype=object), pd.DataFrame(number_block, columns=NUMBER_COLUMNS)]
    own = {c: columns[c] for c in order if c not in _NUMBERS and c not in texts}
    return pd.concat([*parts, pd.DataFrame(own)] if own else parts, axis=1)[order]


def _text(value: Any) -> str:
    return "" if value is None or (isinstance(value, float) and np.isnan(value)) or value is pd.NA else str(value)


def sweep_table(names: Sequence[str], **columns: Any) -> pd.DataFrame:
    """A table for `SweepSet` from names and columns.

    Parameters
    ----------
    names : sequence of str, length m
    columns
        One value for all sweeps, or one per sweep.

    Examples
    --------
    >>> sts.sweep_table(["a", "b"], tip="heron", repeat=[1, 2])["repeat"].tolist()
    [1, 2]
    """
    return pd.DataFrame({"sweep": list(names), **columns}, index=range(len(names)))
