"""What the columns of a block are: quantity, factor to SI, direction and number; by recipe first, then by name."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sts.loaders.block import Block, Column
from sts.loaders.loaded import UnreadableFile, shown
from sts.loaders.recipe import ColumnRecipe, Recipe
from sts.loaders.words import (
    DIMENSIONS,
    DIRECTION_WORDS,
    KEY_DIMENSIONS,
    KEYS,
    QUANTITIES,
    SI_UNITS,
    UNITLESS,
    key_of,
    understand,
)
from sts.quantities import find_unit
from sts.sweeps import NUMBER_COLUMNS

SIGNALS = ("current", "lockin")
AXES = ("bias", "height")


@dataclass(frozen=True, eq=False)
class Role:
    """A column and what it is read as."""

    column: Column
    number: int  # counted from 1
    read_as: str  # bias, height, current, lockin, time, a column of the table, or "" if unused
    factor: float = 1.0  # to SI
    unit: str = ""  # SI unit, or as written for a lock-in signal that is no conductance; "" if unknown
    direction: str = ""
    repeat: int | None = None

    @property
    def label(self) -> str:
        return self.column.path or self.column.name or f"column {self.number}"


def roles_of(block: Block, recipe: Recipe) -> list[Role]:
    """What each column of a block is read as.

    Raises
    ------
    UnreadableFile
        If an axis or a current has no unit, or one that does not fit; the text says which recipe line decides.
    """
    roles = []
    for number, column in enumerate(block.columns, 1):
        try:
            roles.append(_role(column, number, recipe.entry(column.path or column.name, number), recipe))
        except UnreadableFile as error:
            place = f"column {number} '{column.name}'"
            raise error.inside(f"{block.place}, {place}" if block.place else place) from None
    return roles


def _role(column: Column, number: int, entry: ColumnRecipe | None, recipe: Recipe) -> Role:
    meaning = understand(column.name, column.unit)
    if entry is None:
        if meaning.quantity == "differential resistance":
            return Role(column, number, "")  # dV/dI is loaded only where a recipe says so; it is no dI/dV
        if meaning.quantity in KEYS.values() and meaning.quantity not in QUANTITIES.values():
            return _table_role(column, number, meaning.quantity, meaning.unit)
        if not meaning.quantity or column.values.dtype == object:
            if meaning.quantity in (*AXES, *SIGNALS) and meaning.unit:
                _refuse_text(column, number)
            key = key_of(column.name)
            if key[0] and meaning.quantity not in QUANTITIES.values():
                return _table_role(column, number, key[0], key[1] or column.unit)
            return Role(column, number, "")
        quantity, scale, unit = meaning.quantity, 1.0, meaning.unit
        direction, repeat = meaning.direction, meaning.repeat
    else:
        quantity, scale, unit = entry.read_as, entry.scale, entry.unit or meaning.unit
        direction = DIRECTION_WORDS.get(entry.direction, entry.direction) or meaning.direction
        repeat = entry.repeat if entry.repeat is not None else meaning.repeat
        if quantity == "unused":
            return Role(column, number, "")
        if quantity not in (*QUANTITIES.values(), *AXES):
            return _table_role(column, number, quantity, entry.unit or meaning.unit, scale)
        if column.values.dtype == object:
            _refuse_text(column, number)
    if quantity == "tip bias":
        quantity, scale = "bias", -scale
    if quantity == "height" and recipe.height_scale_m_per_V is not None:
        volt = find_unit(unit)
        if volt is not None and volt.dimension == "bias":
            return Role(
                column, number, "height", scale * volt.factor * recipe.height_scale_m_per_V, "m", direction, repeat
            )
    if quantity == "lockin":
        factor, si = _lockin_unit(unit, column, number, entry is not None)
        return Role(column, number, quantity, scale * factor, si, direction, repeat)
    factor, si = _unit(quantity, unit, column, number)
    if quantity == "time" and not si:
        return Role(column, number, "")
    return Role(column, number, quantity, scale * factor, si, direction, repeat)


def _refuse_text(column: Column, number: int) -> None:
    cell = next((str(v) for v in column.values if str(v)), "")
    raise UnreadableFile(
        f"found {shown(cell)}, expected numbers. Check the "
        f"decimal mark and "
        "the delimiter, or say what the column is in a recipe."
    )


def _line(column: Column, number: int, read_as: str, unit: str, scale: str = "") -> str:
    who = f'name = "{column.path or column.name}"' if column.path or column.name else f"number = {number}"
    return f'in a recipe under [[column]]: {who}, read_as = "{read_as}", {scale}unit = "{unit}"'


def _unit(quantity: str, unit: str, column: Column, number: int) -> tuple[float, str]:
    expected = DIMENSIONS[quantity]
    si = SI_UNITS[expected]
    if quantity == "time":
        known = find_unit(unit) if unit else None
        return (known.factor, "s") if known and known.dimension == "time" else (1.0, "")
    if unit.strip() in UNITLESS and unit not in ("A",):
        raise UnreadableFile(
            f"has no unit; expected one of {expected} in the name, such as "
            f"'{column.name or quantity} ({_example(expected)})'. Or say it "
            f"{_line(column, number, quantity, _example(expected))}."
        )
    known = find_unit(unit, expected=expected)
    if known is not None and known.dimension == expected:
        return known.factor, si
    if quantity == "height" and known is not None and known.dimension == "bias":
        raise UnreadableFile(
            f"the height is in volts ({unit}) with no scale. Say "
            "height_scale_m_per_V = ... (metres a volt, of the z piezo) in a recipe."
        )
    if quantity == "current" and known is not None and known.dimension == "bias":
        raise UnreadableFile(
            f"the current is in volts ({unit}) with no gain. Say "
            f"the amperes a "
            f"volt {_line(column, number, 'current', 'A', 'scale = 1e-9, ')} (with your gain)."
        )
    raise UnreadableFile(
        f"the unit {shown(unit)} is not one of {expected}; "
        f"expected, for example, "
        f"{_example(expected)} (capitals count). Say it {_line(column, number, quantity, _example(expected))}."
    )


def _example(dimension: str) -> str:
    return {"bias": "mV", "length": "nm", "current": "nA"}[dimension]


def _lockin_unit(unit: str, column: Column, number: int, by_recipe: bool) -> tuple[float, str]:
    if unit.strip().lower() in UNITLESS:
        return 1.0, ""
    known = find_unit(unit)
    over = unit.split("/") if known is None else []
    if len(over) == 2:  # dI/dz, of a modulated height
        change, length = find_unit(over[0]), find_unit(over[1], expected="length")
        if change and length and (change.dimension, length.dimension) == ("current", "length"):
            return change.factor / length.factor, "A/m"
    if known is None:
        raise UnreadableFile(
            f"the unit {shown(unit)} is not known; expected, for "
            f"example, nS, V, pA/nm or "
            f"a.u. Say it {_line(column, number, 'lockin', 'nS')}."
        )
    if known.dimension == "resistance" and not by_recipe:
        raise UnreadableFile(
            f"a lock-in signal in ohm is dV/dI, not dI/dV. If it "
            f"is wanted, say so "
            f"{_line(column, number, 'lockin', 'ohm')}."
        )
    if known.dimension in ("conductance", "bias", "current", "resistance"):
        return known.factor, SI_UNITS[known.dimension]
    raise UnreadableFile(
        f"{shown(unit)} is no unit of a lock-in signal; expected "
        f"a conductance, a "
        f"voltage or a current. Correct it {_line(column, number, 'lockin', 'nS')}."
    )


def _table_role(column: Column, number: int, key: str, unit: str, scale: float = 1.0) -> Role:
    """A column that says something about the sweeps: tip, site, x (nm), ..."""
    if key not in KEYS.values() and key_of(key)[0]:
        key, unit = key_of(key)[0], unit or key_of(key)[1]
    if key in ("date", "time"):
        return Role(column, number, "started" if key == "date" else "")
    if key in ("bias applied to", "current polarity", "bias polarity", "tip bias", "current"):
        return Role(column, number, "")
    dimension = KEY_DIMENSIONS.get(key, "")
    if key in NUMBER_COLUMNS and column.values.dtype == object:
        _refuse_text(column, number)
    if not dimension or not np.isfinite(np.asarray(column.values, float)).any():
        return Role(column, number, key, scale)
    known = find_unit(unit, expected=dimension) if unit else None
    if known is None or known.dimension != dimension:
        return Role(column, number, "")
    return Role(column, number, key, scale * known.factor, SI_UNITS[dimension])
