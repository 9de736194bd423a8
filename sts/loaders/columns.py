"""What the columns of a block are: quantity, factor to SI, direction and number; by recipe first, then by name."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace

import numpy as np

from sts.loaders.block import Block, Column
from sts.loaders.column_names import Meaning, understand
from sts.loaders.column_units import lockin_unit, recipe_line, unit_of
from sts.loaders.loaded import Notes, UnreadableFile, shown
from sts.loaders.magnitudes import plausible
from sts.loaders.recipe import ColumnRecipe, Recipe
from sts.loaders.signs import SIGN_KEYS
from sts.loaders.words import DIRECTION_WORDS, KEY_DIMENSIONS, KEYS, QUANTITIES, SI_UNITS, is_unit, key_of
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
    written: str = ""  # unit as file or recipe write it
    direction: str = ""
    repeat: int | None = None
    told: bool = False  # whether the number is said to be that of a repeat
    logarithm: str = ""  # log10 or ln: the numbers are that of the value in the unit
    sort: str = ""  # as in `Meaning`
    of_tip: bool = False  # whether the name says that the bias is that of the tip
    negative: bool = False  # whether the name says that it is the negative of its quantity (in `factor` already)
    note: str = ""  # what the user should know

    @property
    def label(self) -> str:
        """What to call it in a message."""
        return self.column.path or self.column.name or f"column {self.number}"


class _Doubtful(UnreadableFile):
    """A column whose quantity is understood, but not what its numbers are."""

    quantity = ""


def roles_of(block: Block, recipe: Recipe, notes: Notes) -> list[Role]:
    """What each column of a block is read as.

    Raises
    ------
    UnreadableFile
        If an axis or a signal has no unit, one that does not fit, or a name of which a part is not understood; the
        text says which line of a recipe decides.
    """
    stated = stated_units(block)
    roles: list[Role] = []
    doubts: list[_Doubtful] = []
    for number, column in enumerate(block.columns, 1):
        with _at_column(block, column, number):
            try:
                roles.append(role_of(column, number, recipe, stated))
            except _Doubtful as doubt:
                doubts.append(doubt)
                roles.append(
                    Role(column, number, "", note=f"{shown(column.name)} {doubt.message.split('.')[0]}; not used")
                )
    roles = _chosen(roles)
    read = {role.read_as for role in roles}
    for problem in doubts:
        if problem.quantity not in read and not (problem.quantity == "lockin" and "current" in read):
            raise problem
    for role in roles:
        if role.note:
            notes.add(role.note)
    return roles


@contextmanager
def _at_column(block: Block, column: Column, number: int) -> Iterator[None]:
    """Put the place of a column before the errors about it."""
    try:
        yield
    except UnreadableFile as error:
        place = f"column {number} '{column.name}'"
        raise error.inside(f"{block.place}, {place}" if block.place else place) from None


def role_of(column: Column, number: int, recipe: Recipe, stated: Mapping[str, str] | None = None) -> Role:
    """What one column is read as.

    Parameters
    ----------
    number : int
        Which column of its block it is, from 1.
    stated : mapping
        Units that the header states for a quantity.
    """
    entry = recipe.entry(column.path or column.name, number)
    meaning = understand(column.name, column.unit)
    if meaning.quantity in (stated or {}):
        meaning = understand(column.name, column.unit or (stated or {})[meaning.quantity])
    if entry is not None:
        return _by_recipe(column, number, entry, meaning, recipe)
    if meaning.quantity == "differential resistance":
        return Role(column, number, "")  # dV/dI is loaded only where a recipe says so; it is no dI/dV
    if meaning.quantity in KEYS.values() and meaning.quantity not in QUANTITIES.values():
        if meaning.doubt:
            return Role(column, number, "", note=f"{shown(column.name)} {meaning.doubt}; not used")
        return _table_role(column, number, meaning.quantity, meaning.unit)
    if not meaning.quantity or column.values.dtype == object:
        if meaning.quantity in (*AXES, *SIGNALS) and meaning.unit:
            _refuse_text(column)
        key = key_of(column.name)
        if key[0] and meaning.quantity not in QUANTITIES.values():
            return _table_role(column, number, key[0], key[1] or column.unit)
        return Role(column, number, "")
    if meaning.sort == "beside":
        return Role(
            column, number, "", note=f"{shown(column.name)} stands beside the data (an uncertainty or a fit); not used"
        )
    if meaning.doubt:
        _refuse_doubt(column, number, meaning)
    return _sampled(column, number, meaning, recipe, meaning.unit, scale=float(meaning.sign), by_recipe=False)


def _by_recipe(column: Column, number: int, entry: ColumnRecipe, meaning: Meaning, recipe: Recipe) -> Role:
    """A column that the recipe speaks of; its word holds, and the name's where it is silent."""
    if entry.read_as == "unused":
        return Role(column, number, "")
    unit = entry.unit or meaning.unit
    if entry.read_as not in (*QUANTITIES.values(), *AXES):
        return _table_role(column, number, entry.read_as, unit, entry.scale)
    if column.values.dtype == object:
        _refuse_text(column)
    scale = entry.scale if entry.scale != 1 else float(meaning.sign)
    told = replace(
        meaning,
        quantity=entry.read_as,
        direction=DIRECTION_WORDS.get(entry.direction, entry.direction) or meaning.direction,
        repeat=entry.repeat if entry.repeat is not None else meaning.repeat,
        told=entry.repeat is not None or meaning.told,
        factor=1.0,
        sort="",
    )
    return _sampled(column, number, told, recipe, unit, scale=scale, by_recipe=True)


def _sampled(
    column: Column, number: int, meaning: Meaning, recipe: Recipe, unit: str, *, scale: float, by_recipe: bool
) -> Role:
    """A column with a number for each point."""
    quantity, note = meaning.quantity, ""
    negative, of_tip = scale < 0 and not by_recipe, quantity == "tip bias"
    if negative:
        note = f"sign: {shown(column.name)} is the negative of the {quantity}; turned"
    quantity = "bias" if of_tip else quantity
    volt = find_volt(unit) if quantity == "height" and recipe.height_scale_m_per_V is not None else None
    if volt is not None and recipe.height_scale_m_per_V is not None:
        factor, si = volt * recipe.height_scale_m_per_V, "m"
    elif quantity == "lockin":
        try:
            factor, si = lockin_unit(unit, column, number, by_recipe)
        except UnreadableFile as error:
            if by_recipe:
                raise
            doubt = _Doubtful(error.message)  # no reason to lose the current beside it
            doubt.quantity = "lockin"
            raise doubt from None
    else:
        factor, si = unit_of(quantity, unit, column, number)
    if quantity == "time" and not si:
        return Role(column, number, "")
    if meaning.factor != 1:
        factor, said = _factor_settled(column, number, meaning, quantity, factor)
        note = "; ".join(part for part in (note, said) if part)
    return Role(
        column, number, quantity, scale * factor, si, unit, meaning.direction, meaning.repeat, meaning.told,
        meaning.logarithm, meaning.sort, of_tip, negative, note,
    )  # fmt: skip


def find_volt(unit: str) -> float | None:
    """The factor of a unit of voltage; None for any other."""
    found = is_unit(unit)
    return found.factor if found is not None and found.dimension == "bias" else None


def _factor_settled(column: Column, number: int, meaning: Meaning, quantity: str, factor: float) -> tuple[float, str]:
    """The factor to SI where a factor stands beside the unit: times it, or divided by it if only that can be."""
    values = np.asarray(column.values, float)
    both = {"multiplied with": factor * meaning.factor, "divided by": factor / meaning.factor}
    can = [how for how, f in both.items() if plausible(quantity, values * f)]
    if len(can) != 1 or quantity == "lockin":
        _refuse_doubt(
            column, number, replace(meaning, doubt=f"states the factor {meaning.factor:g} beside its unit, and it cannot "
                                    "be told whether the numbers were multiplied with it or have to be")
        )  # fmt: skip
    return both[can[0]], (
        f"{shown(column.name)}: the numbers were {can[0]} {meaning.factor:g}; the other way round they would be no "
        f"{quantity} of a junction"
    )


_WHAT = {
    "mean": "a mean", "copy": "a filtered copy", "plain": "the nominal one", "rough": "an uncalibrated one", "": "another one",
}  # fmt: skip


def _chosen(roles: list[Role]) -> list[Role]:
    """Of several columns of one quantity those that are data: not the mean, the filtered or the nominal one as well."""
    groups: dict[tuple[str, str, int | None], list[Role]] = {}
    for role in roles:
        if role.read_as in (*AXES, *SIGNALS):
            groups.setdefault((role.read_as, role.direction, None if role.sort else role.repeat), []).append(role)
    changed: dict[int, Role] = {}
    for (quantity, direction, _), members in groups.items():
        plain = [r for r in roles if r.read_as == quantity and not r.sort and r.direction in (direction, "")]
        better = [r for r in members if r.sort == "better"]
        for role in members:
            others = better if better and role.sort != "better" else plain if role.sort != "better" else []
            others = [other for other in others if other is not role]
            if (
                role.sort in ("mean", "copy", "rough")
                or (role.sort == "plain" and others)
                or (not role.sort and better)
            ):
                rest = others or [r for r in members if r.sort in ("", "plain") and r is not role]
                word = _WHAT[role.sort]
                if rest:
                    changed[role.number] = Role(
                        role.column, role.number, "",
                        note=f"{shown(role.label)} is {word} of what {shown(rest[0].label)} holds; not used",
                    )  # fmt: skip
                else:
                    changed[role.number] = replace(
                        role, note=f"{shown(role.label)} is {word} by its name; read as it is"
                    )
    return [changed.get(role.number, role) for role in roles]


def stated_units(block: Block) -> dict[str, str]:
    """Units that header entries such as ``current unit: pA`` state."""
    found: dict[str, str] = {}
    for entry in block.header:
        words = entry.key.strip().lower().replace("_", " ").split()
        if len(words) > 1 and words[-1] in ("unit", "units"):
            quantity = understand(" ".join(words[:-1])).quantity
            if quantity in (*AXES, *SIGNALS, "tip bias"):
                found[quantity] = entry.value.strip()
    return found


# ---- refusals


def _refuse_text(column: Column) -> None:
    cell = next((str(v) for v in column.values if str(v)), "")
    raise UnreadableFile(
        f"found {shown(cell)}, expected numbers. Check the decimal mark and the delimiter, or say what the column is in a "
        "recipe."
    )


def _refuse_doubt(column: Column, number: int, meaning: Meaning) -> None:
    quantity = "bias" if meaning.quantity == "tip bias" else meaning.quantity
    unit = meaning.unit if is_unit(meaning.unit) and not meaning.clash else "..."
    how = recipe_line(column, number, meaning.quantity, unit, "" if meaning.factor == 1 else "scale = ..., ")
    problem = UnreadableFile if meaning.clash else _Doubtful
    error = problem(f"{meaning.doubt}. Export the {quantity} itself, or say what the numbers are {how}.")
    if isinstance(error, _Doubtful):
        error.quantity = quantity
    raise error


def _table_role(column: Column, number: int, key: str, unit: str, scale: float = 1.0) -> Role:
    """A column that says something about the sweeps: tip, site, x (nm), ..."""
    if key not in KEYS.values() and key_of(key)[0]:
        key, unit = key_of(key)[0], unit or key_of(key)[1]
    if key in ("date", "time"):
        return Role(column, number, "started" if key == "date" else "")
    if key in SIGN_KEYS:
        raise UnreadableFile(
            "turns a sign, and may do so row by row, which is not read. Say bias_sign, current_sign or height_sign in a "
            f'recipe, and under [[column]]: name = "{column.name}", read_as = "unused".'
        )
    if key in ("tip bias", "current"):
        return Role(column, number, "")
    dimension = KEY_DIMENSIONS.get(key, "")
    if key in NUMBER_COLUMNS and column.values.dtype == object:
        _refuse_text(column)
    if not dimension or not np.isfinite(np.asarray(column.values, float)).any():
        return Role(column, number, key, scale)
    known = is_unit(unit, expected=dimension) if unit else None
    if known is None or known.dimension != dimension:
        return Role(column, number, "")
    return Role(column, number, key, scale * known.factor, SI_UNITS[dimension])
