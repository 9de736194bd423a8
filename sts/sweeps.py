"""The data model: a `SweepSet` is m sweeps of one kind on one common axis."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd

KINDS = {"iv": "bias", "iz": "height"}  # kind: name of its axis
AXIS_UNITS = {"iv": "V", "iz": "m"}
DIRECTIONS = {"iv": ("up", "down"), "iz": ("retract", "approach")}

TEXT_COLUMNS = ("sweep", "sample", "tip", "site", "direction", "started", "source")
NUMBER_COLUMNS = (
    "repeat", "x_m", "y_m", "temperature_K", "setpoint_current_A", "setpoint_bias_V", "bias_V", "duration_s",
    "full_scale_A", "modulation_V",
)  # fmt: skip
COLUMNS = (
    "sweep", "sample", "tip", "site", "direction", "repeat", "x_m", "y_m", "started", "temperature_K",
    "setpoint_current_A", "setpoint_bias_V", "bias_V", "duration_s", "full_scale_A", "modulation_V", "source",
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class SweepSet:
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
        One row a sweep, in the order of `current`. Missing columns are added as unknown (NaN or ""); columns of
        the user's own (from a logbook, say) are kept. `sweep` must be there, unique and not empty.
    lockin : array_like, shape (m, n), optional
        Lock-in channel in `lockin_unit`.
    lockin_unit : str
        ``"S"`` where the file says it is a conductance; else what it says ("V", "ohm", ...), or "" if unknown.
        Only siemens may be treated as dI/dV in absolute terms.

    Raises
    ------
    ValueError
        If shapes, order or names do not fit; the text says which and what to do.
    """

    kind: str
    axis: np.ndarray
    current: np.ndarray
    table: pd.DataFrame
    lockin: np.ndarray | None = None
    lockin_unit: str = ""
    notes: tuple[str, ...] = field(default=())  # what was done on import: sign turned, ends cut, ...

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
        if np.any(np.diff(axis) <= 0):
            first = int(np.argmax(np.diff(axis) <= 0))
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
        object.__setattr__(self, "table", complete_table(self.table, len(current)))

    def __len__(self) -> int:
        return len(self.current)

    @property
    def names(self) -> list[str]:
        """The sweeps' names, in order."""
        return list(self.table["sweep"])

    @property
    def has_current(self) -> bool:
        """Whether any current was recorded (false for lock-in-only files)."""
        return bool(np.isfinite(self.current).any())

    def select(self, rows: Any) -> SweepSet:
        """The sweeps picked by a boolean mask (m,) or by positions, as a new set.

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


def complete_table(table: pd.DataFrame, sweeps: int) -> pd.DataFrame:
    """Check the per-sweep table and add the columns that are missing, as unknown.

    Raises
    ------
    ValueError
        If the number of rows is not `sweeps`, or names are missing or repeated.
    """
    if len(table) != sweeps:
        raise ValueError(f"The table has {len(table)} rows for {sweeps} sweeps; it needs one row a sweep.")
    if "sweep" not in table:
        raise ValueError("The table has no column 'sweep'; every sweep needs a unique name.")
    order = [*COLUMNS, *(c for c in table.columns if c not in COLUMNS)]
    columns: dict[str, Any] = {}
    for column in order:
        if column in NUMBER_COLUMNS:
            columns[column] = pd.to_numeric(table[column]).to_numpy(float) if column in table else None
        elif column in TEXT_COLUMNS or not pd.api.types.is_numeric_dtype(table[column]):
            columns[column] = [_text(v) for v in table[column]] if column in table else [""] * sweeps
        else:
            columns[column] = table[column].to_numpy()
    # Texts as one array of objects and numbers as one of floats: much quicker than a frame built column by column.
    texts = [c for c in order if isinstance(columns[c], list)]
    numbers = [c for c in order if columns[c] is None or (c in NUMBER_COLUMNS)]
    text_block, number_block = np.empty((sweeps, len(texts)), object), np.full((sweeps, len(numbers)), np.nan)
    for i, column in enumerate(texts):
        text_block[:, i] = columns[column]
    for i, column in enumerate(numbers):
        if columns[column] is not None:
            number_block[:, i] = columns[column]
    own = {c: columns[c] for c in order if c not in texts and c not in numbers}
    parts = [pd.DataFrame(text_block, columns=texts, dtype=object), pd.DataFrame(number_block, columns=numbers)]
    result = pd.concat([*parts, pd.DataFrame(own)] if own else parts, axis=1)[order]
    names = result["sweep"]
    if (names == "").any():
        raise ValueError("A sweep has no name; every sweep needs a unique one in the column 'sweep'.")
    if names.duplicated().any():
        raise ValueError(f"Two sweeps are called '{names[names.duplicated()].iloc[0]}'; names must be unique.")
    return result


def _text(value: Any) -> str:
    return "" if value is None or (isinstance(value, float) and np.isnan(value)) or value is pd.NA else str(value)


def sweep_table(names: Sequence[str], **columns: Any) -> pd.DataFrame:
    """A table for `SweepSet` from names and columns (one value for all, or one a sweep)."""
    return pd.DataFrame({"sweep": list(names), **columns}, index=range(len(names)))
