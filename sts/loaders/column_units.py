"""Units of columns: the factor to SI, or the refusal that says which line of a recipe decides."""

from __future__ import annotations

from sts.loaders.block import Column
from sts.loaders.loaded import UnreadableFile, shown
from sts.loaders.words import DIMENSIONS, SI_UNITS, UNITLESS, factor_to_si, is_unit

_EXAMPLES = {"bias": "mV", "length": "nm", "current": "nA"}


def recipe_line(column: Column, number: int, read_as: str, unit: str, scale: str = "") -> str:
    """The entry of a recipe that would say what a column is.

    Parameters
    ----------
    column, number : Column, int
        The column, and which of its block it is, from 1.
    read_as, unit, scale : str
        What the entry is to say; `scale` as a line of its own, "" for none.
    """
    who = f'name = "{column.path or column.name}"' if column.path or column.name else f"number = {number}"
    return f'in a recipe under [[column]]: {who}, read_as = "{read_as}", {scale}unit = "{unit}"'


def unit_of(quantity: str, unit: str, column: Column, number: int) -> tuple[float, str]:
    """Factor to SI and SI unit of a column of bias, height, current or time; of a time without a unit (1, "").

    Parameters
    ----------
    quantity, unit : str
        What the column holds, and its unit as written.
    column, number : Column, int
        The column, and which of its block it is, from 1.

    Raises
    ------
    UnreadableFile
        If the unit is missing, not known, or of another dimension.
    """
    expected = DIMENSIONS[quantity]
    factor = factor_to_si(unit, expected)
    if quantity == "time":
        return (factor, "s") if factor else (1.0, "")
    example = _EXAMPLES[expected]
    how = recipe_line(column, number, quantity, example)
    if unit.strip() in UNITLESS:
        raise UnreadableFile(
            f"has no unit; expected one of {expected} in the name, such as '{column.name or quantity} ({example})'. Or say "
            f"it {how}."
        )
    if factor is not None:
        return factor, SI_UNITS[expected]
    if quantity == "height" and factor_to_si(unit, "bias"):
        raise UnreadableFile(
            f"the height is in volts ({unit}) with no scale. Say height_scale_m_per_V = ... (metres per volt, of the z "
            "piezo) in a recipe."
        )
    if quantity == "current" and factor_to_si(unit, "bias"):
        raise UnreadableFile(
            f"the current is in volts ({unit}) with no gain. Say the amperes per volt "
            f"{recipe_line(column, number, 'current', 'A', 'scale = 1e-9, ')} (with your gain)."
        )
    raise UnreadableFile(
        f"the unit {shown(unit)} is not one of {expected}; expected, for example, {example} (capitals count). Say it {how}."
    )


def lockin_unit(unit: str, column: Column, number: int, by_recipe: bool) -> tuple[float, str]:
    """Factor and unit of a lock-in signal: SI where the unit is known, (1, "") where there is none.

    Parameters
    ----------
    unit : str
        As written.
    column, number : Column, int
        The column, and which of its block it is, from 1.
    by_recipe : bool
        Whether a recipe says that it is a lock-in signal.

    Raises
    ------
    UnreadableFile
        If the unit is not known, or of a dimension that no lock-in signal has.
    """
    if unit.strip().lower() in UNITLESS:
        return 1.0, ""
    known = is_unit(unit)
    change, _, over = unit.partition("/")  # nA/V, or dI/dz of a modulated height
    if known is None and (amperes := factor_to_si(change, "current")):
        for dimension, si in (("length", "A/m"), ("bias", "S")):
            if step := factor_to_si(over, dimension):
                return amperes / step, si
    how = recipe_line(column, number, "lockin", "nS")
    if known is None:
        raise UnreadableFile(
            f"the unit {shown(unit)} is not known; expected, for example, nS, V, pA/nm or a.u. Say it {how}."
        )
    if known.dimension == "resistance" and not by_recipe:
        raise UnreadableFile(
            "a lock-in signal in ohm is dV/dI, not dI/dV. If it is wanted, say so "
            f"{recipe_line(column, number, 'lockin', 'ohm')}."
        )
    if known.dimension in ("conductance", "bias", "current", "resistance"):
        return known.factor, SI_UNITS[known.dimension]
    raise UnreadableFile(
        f"{shown(unit)} is no unit of a lock-in signal; expected a conductance, a voltage or a current. Correct it {how}."
    )
