"""Values in rows without names: what they might be by their size, and which of the names given on import fit them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from sts.loaders.bare import NamedColumns, axis_name, range_of, signal_name
from sts.loaders.column_names import understand
from sts.loaders.loaded import UnreadableFile
from sts.loaders.magnitudes import implausible
from sts.loaders.words import DIMENSIONS, factor_to_si

RAMPS = (0.05e-9, 100e-9)  # span of a height that is proposed [m]
LARGEST_BIAS = 20.0  # [V]
CURRENTS = (1e-13, 1e-6)  # largest of a line of currents that is proposed [A]
LEAST_BIAS_SPAN = 1e-5  # [V]; a height in metres read as volts spans less
ALIKE = 1e3  # how much a further line may differ from the first signal, and still be proposed as another current
AXES = {"bias": "iv", "height": "iz"}


class ValuesInRows(UnreadableFile):
    """Values in rows that nothing names."""

    values: Sequence[np.ndarray] = ()  # the lines, as written


def values_in_rows(values: Sequence[np.ndarray], place: str = "") -> ValuesInRows:
    """The refusal of values in rows (k lines (n,)) that nothing names, with what they look like.

    Parameters
    ----------
    values : sequence of ndarray, shape (n,)
        The lines, as written.
    place : str
        Of the first line in its file.
    """
    names = proposed_names(values)
    return ValuesInRows(
        f"values in rows ({len(values)} lines of {values[0].size} numbers), and nothing names them ({_looks(values)}). Perhaps "
        f"--rows '{', '.join(names)}'? Say so on import if that is what they are, or {rows_key(names)} in a recipe.",
        place=place,
        values=values,
    )


def _looks(values: Sequence[np.ndarray]) -> str:
    return "; ".join(f"{i}: {range_of(row)}" for i, row in enumerate(values[:6], 1))


def rows_key(names: Sequence[str]) -> str:
    """The line of a recipe that names rows.

    Parameters
    ----------
    names : sequence of str
    """
    return "rows = [" + ", ".join(f'"{name}"' for name in names) + "]"


def proposed_names(values: Sequence[np.ndarray]) -> list[str]:
    """Names for lines (k of (n,)) by their size: SI where that fits a tunnelling junction, else as for columns.

    Parameters
    ----------
    values : sequence of ndarray, shape (n,)
        The axis, then signals.
    """
    axis, first, *more = values
    span, level = float(np.ptp(axis)), _largest(first)
    if RAMPS[0] <= span <= RAMPS[1]:
        name = "z (m)"
    elif CURRENTS[0] <= level <= CURRENTS[1] and _largest(axis) <= LARGEST_BIAS:
        name = "V (V)"
    else:
        name = axis_name(axis, first)
    current = signal_name(first)
    return [name, current, *(current if level / ALIKE < _largest(row) < level * ALIKE else "-" for row in more)]


def _largest(values: np.ndarray) -> float:
    return float(np.nanmax(np.abs(values), initial=0.0))


def misfit(names: Sequence[str], values: Sequence[np.ndarray]) -> str:
    """Why lines (k of (n,)) cannot be what names say, by number and size; "" if they can.

    Parameters
    ----------
    names : sequence of str
        Such as ``"z (m)"``; "" for a line that is not used.
    values : sequence of ndarray, shape (n,)
    """
    if len(names) != len(values):
        return f"names {len(names)} lines, and there are {len(values)}"
    for name, row in zip(names, values, strict=True):
        said = understand(name)
        quantity = "bias" if said.quantity == "tip bias" else said.quantity
        factor = factor_to_si(said.unit, DIMENSIONS[quantity]) if quantity in DIMENSIONS else None
        if factor is None:
            continue
        if why := implausible(quantity, row * factor):
            return f"calls a line '{name}' that {why}"
        if quantity == "bias" and np.ptp(row[np.isfinite(row)]) * abs(factor) < LEAST_BIAS_SPAN:
            return f"calls a line '{name}' that spans {np.ptp(row) * abs(factor):.3g} V only"
    return ""


def names_that_fit(named: Sequence[NamedColumns], rows: ValuesInRows, kind: str) -> list[str]:
    """Of the names given on import those that fit the lines of a file; none if nothing was given.

    Parameters
    ----------
    named : sequence of NamedColumns
        That speak of the file.
    rows : ValuesInRows
        What was found.
    kind : str
        What the names of its folders say, ``"iv"`` or ``"iz"``: it decides where sizes fit several.

    Raises
    ------
    UnreadableFile
        If none fits, or several do.
    """
    if not named:
        return []
    misfits = [misfit(one.names, rows.values) for one in named]
    fitting = [one for one, why in zip(named, misfits, strict=True) if not why]
    if len(fitting) > 1 and kind:
        fitting = [one for one in fitting if kind in _kinds(one.names)] or fitting
    if not fitting:
        raise UnreadableFile(
            f"no --rows fits its {len(rows.values)} lines ({_looks(rows.values)}): '{_text(named[0].names)}' {misfits[0]}. Give "
            f"--rows once more for such files; perhaps --rows '{', '.join(proposed_names(rows.values))}'?"
        )
    if len({one.names for one in fitting}) > 1:
        raise UnreadableFile(
            f"its numbers ({_looks(rows.values)}) may be '{_text(fitting[0].names)}' or '{_text(fitting[1].names)}'. Say which "
            f"files each --rows is for, such as --rows 'IZ*/*: {_text(fitting[0].names)}'."
        )
    return list(fitting[0].names)


def _text(names: Sequence[str]) -> str:
    return ", ".join(name or "-" for name in names)


def _kinds(names: Sequence[str]) -> set[str]:
    return {AXES[q] for name in names if (q := understand(name).quantity) in AXES}
