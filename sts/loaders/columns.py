"""What the columns of a block are: quantity, factor to SI, direction and number; by recipe first, then by name."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace

import numpy as np

from sts.loaders.block import Block, Column
from sts.loaders.column_names import NOTHING_SAID, Meaning, understand
from sts.loaders.column_units import lockin_unit, recipe_line, unit_of
from sts.loaders.loaded import Notes, UnreadableFile, shown
from sts.loaders.magnitudes import plausible
from sts.loaders.recipe import ColumnRecipe, Recipe
from sts.loaders.signs import SIGN_KEYS
from sts.loaders.words import DIMENSIONS, DIRECTION_WORDS, KEYS, QUANTITIES, SI_UNITS, factor_to_si, is_unit, key_of
from sts.sweeps import NUMBER_COLUMNS

SIGNALS = ("current", "lockin")
AXES = ("bias", "height")


@dataclass(frozen=True, eq=False)
class Role:
    """A column and what it is read as."""

    column: Column
    number: int  # counted from 1
    read_as: str = ""  # bias, height, current, lockin, time, a column of the table, or "" if unused
    factor: float = 1.0  # to SI, with the sign of a column that is the negative of its quantity
    unit: str = ""  # SI unit, or as written for a lock-in signal that is no conductance; "" if unknown
    said: Meaning = NOTHING_SAID  # by its name or a recipe, of a column with a number for each point
    note: str = ""  # what the user should know

    @property
    def label(self) -> str:
        """What to call it in a message."""
        return self.column.path or self.column.name or f"column {self.number}"

    @property
    def of_tip(self) -> bool:
        """Whether it is a bias of the tip by its name."""
        return self.said.quantity == "tip bias"


class _Doubtful(UnreadableFile):
    """A column whose quantity is understood, but not what its numbers are."""

    quantity = ""


def roles_of(block: Block, recipe: Recipe, notes: Notes) -> list[Role]:
    """What each column of a block is read as.

    Parameters
    ----------
    block, recipe : Block, Recipe
    notes : Notes
        Takes what the user should know.

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
                note = f"{shown(column.name)} {doubt.message.split('.')[0]}; not used"
                roles.append(Role(column, number, note=note))
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


def role_of(column: Column, number: int, recipe: Recipe, stated: Mapping[str, str]) -> Role:
    """What one column is read as.

    Parameters
    ----------
    column, number : Column, int
        The column, and which of its block it is, from 1.
    recipe : Recipe
    stated : mapping
        Units that the header states for a quantity, from `stated_units`.

    Raises
    ------
    UnreadableFile
        As `roles_of`.
    """
    entry = recipe.entry(column.path or column.name, number)
    meaning = understand(column.name, column.unit)
    if meaning.quantity in stated:
        meaning = understand(column.name, column.unit or stated[meaning.quantity])
    if entry is not None:
        return _by_recipe(column, number, entry, meaning, recipe)
    quantity = meaning.quantity
    if quantity == "differential resistance":
        return Role(column, number)  # dV/dI is loaded only where a recipe says so; it is no dI/dV
    if not quantity:
        key, unit, _ = key_of(column.name)
        return _table_role(column, number, key, unit or column.unit) if key else Role(column, number)
    if quantity not in QUANTITIES.values():
        if meaning.doubt:
            return Role(column, number, note=f"{shown(column.name)} {meaning.doubt}; not used")
        return _table_role(column, number, quantity, meaning.unit)
    if column.values.dtype == object:
        if quantity in (*AXES, *SIGNALS) and meaning.unit:
            _refuse_text(column)
        return Role(column, number)
    if meaning.sort == "beside":
        note = f"{shown(column.name)} stands beside the data (an uncertainty or a fit); not used"
        return Role(column, number, note=note)
    if meaning.doubt:
        raise _doubt_of(column, number, meaning)
    return _sampled(column, number, meaning, recipe, scale=float(meaning.sign), by_recipe=False)


def _by_recipe(column: Column, number: int, entry: ColumnRecipe, meaning: Meaning, recipe: Recipe) -> Role:
    """A column that the recipe speaks of; its word holds, and the name's where it is silent."""
    if entry.read_as == "unused":
        return Role(column, number)
    unit = entry.unit or meaning.unit
    if entry.read_as not in QUANTITIES.values():
        return _table_role(column, number, entry.read_as, unit, entry.scale)
    if column.values.dtype == object:
        _refuse_text(column)
    told = replace(
        meaning,
        quantity=entry.read_as,
        unit=unit,
        direction=DIRECTION_WORDS.get(entry.direction, entry.direction) or meaning.direction,
        repeat=meaning.repeat if entry.repeat is None else entry.repeat,
        told=entry.repeat is not None or meaning.told,
        sign=1,
        factor=1.0,
        sort="",
    )
    scale = entry.scale if entry.scale != 1 else float(meaning.sign)
    return _sampled(column, number, told, recipe, scale=scale, by_recipe=True)


def _sampled(column: Column, number: int, meaning: Meaning, recipe: Recipe, *, scale: float, by_recipe: bool) -> Role:
    """A column with a number for each point."""
    quantity = "bias" if meaning.quantity == "tip bias" else meaning.quantity
    notes = (
        [f"sign: {shown(column.name)} is the negative of the {meaning.quantity}; turned"] if meaning.sign < 0 else []
    )
    per_volt = recipe.height_scale_m_per_V if quantity == "height" else None
    if per_volt is not None and (volts := factor_to_si(meaning.unit, "bias")):
        factor, si = volts * per_volt, "m"
    elif quantity == "lockin":
        try:
            factor, si = lockin_unit(meaning.unit, column, number, by_recipe)
        except UnreadableFile as error:
            if by_recipe:
                raise
            raise _Doubtful(error.message, quantity="lockin") from None  # no reason to lose the current beside it
    else:
        factor, si = unit_of(quantity, meaning.unit, column, number)
    if quantity == "time" and not si:
        return Role(column, number)
    if meaning.factor != 1:
        factor, said = _factor_settled(column, number, meaning, quantity, factor)
        notes.append(said)
    return Role(column, number, quantity, scale * factor, si, meaning, "; ".join(notes))


def _factor_settled(column: Column, number: int, meaning: Meaning, quantity: str, factor: float) -> tuple[float, str]:
    """The factor to SI where a factor stands beside the unit: times it, or divided by it if only that can be."""
    values = np.asarray(column.values, float)
    both = {"multiplied with": factor * meaning.factor, "divided by": factor / meaning.factor}
    can = [how for how, f in both.items() if plausible(quantity, values * f)]
    if len(can) != 1 or quantity == "lockin":
        doubt = (
            f"states the factor {meaning.factor:g} beside its unit, and it cannot be told whether the numbers were "
            "multiplied with it or have to be"
        )
        raise _doubt_of(column, number, replace(meaning, doubt=doubt))
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
            repeat = None if role.said.sort else role.said.repeat
            groups.setdefault((role.read_as, role.said.direction, repeat), []).append(role)
    changed: dict[int, Role] = {}
    for (quantity, direction, _), members in groups.items():
        plain = [r for r in roles if r.read_as == quantity and not r.said.sort and r.said.direction in (direction, "")]
        better = [r for r in members if r.said.sort == "better"]
        for role in members:
            sort = role.said.sort
            others = [other for other in better or plain if other is not role]
            if sort in ("mean", "copy", "rough") or (sort == "plain" and others) or (not sort and better):
                rest = others or [r for r in members if r.said.sort in ("", "plain") and r is not role]
                if rest:
                    note = f"{shown(role.label)} is {_WHAT[sort]} of what {shown(rest[0].label)} holds; not used"
                    changed[role.number] = Role(role.column, role.number, note=note)
                else:
                    note = f"{shown(role.label)} is {_WHAT[sort]} by its name; read as it is"
                    changed[role.number] = replace(role, note=note)
    return [changed.get(role.number, role) for role in roles]


def stated_units(block: Block) -> dict[str, str]:
    """Units that header entries such as ``current unit: pA`` state.

    Parameters
    ----------
    block : Block
    """
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


def _doubt_of(column: Column, number: int, meaning: Meaning) -> UnreadableFile:
    """The refusal of a column by what its name says."""
    quantity = "bias" if meaning.quantity == "tip bias" else meaning.quantity
    unit = meaning.unit if is_unit(meaning.unit) and not meaning.clash else "..."
    how = recipe_line(column, number, meaning.quantity, unit, "" if meaning.factor == 1 else "scale = ..., ")
    text = f"{meaning.doubt}. Export the {quantity} itself, or say what the numbers are {how}."
    return UnreadableFile(text) if meaning.clash else _Doubtful(text, quantity=quantity)


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
        return Role(column, number)
    if key in NUMBER_COLUMNS and column.values.dtype == object:
        _refuse_text(column)
    dimension = DIMENSIONS.get(key, "")
    if not dimension or not np.isfinite(np.asarray(column.values, float)).any():
        return Role(column, number, key, scale)
    factor = factor_to_si(unit, dimension)
    return Role(column, number) if factor is None else Role(column, number, key, scale * factor, SI_UNITS[dimension])
