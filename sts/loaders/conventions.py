"""Signs and directions: from the file's convention to the one of the data model, and a note on whatever was turned."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sts.loaders.block import Block
from sts.loaders.column_names import understand
from sts.loaders.columns import Role
from sts.loaders.loaded import Notes, UnreadableFile, shown
from sts.loaders.metadata import Metadata, read_metadata
from sts.loaders.recipe import Recipe
from sts.loaders.words import DIRECTION_WORDS
from sts.sweeps import DIRECTIONS, KINDS

TURNED = "sign: "  # how a note begins that tells of a sign; `sts check` repeats them
ONE_SIGN = 0.98  # share of the power of a sweep that must be taken up
SMALL = 0.1  # of the largest current, at the bias nearest to zero
HEIGHT_TURNED = f"{TURNED}height turned: {{}} says it grows towards the surface"


@dataclass(frozen=True)
class Signs:
    """What the numbers of a file are multiplied with."""

    bias: int
    current: int
    height: int

    def of(self, quantity: str) -> int:
        """The sign of an axis or of the current; 1 for anything else.

        Parameters
        ----------
        quantity : str
        """
        return int(getattr(self, quantity, 1))


@dataclass(frozen=True, eq=False)
class Source:
    """What the sweeps of one block have in common."""

    kind: str
    place: str  # of the block in its file
    recipe: Recipe
    meta: Metadata
    signs: Signs
    clock: Role | None  # the column of times
    breaks: tuple[int, ...]  # rows before which an empty line stands
    stacked: bool  # signals are (m, n), m sweeps on one axis
    notes: Notes
    forward: list[int]  # which way the sweeps of the file that are called forward run


def signs_of(kind: str, roles: Sequence[Role], meta: Metadata, recipe: Recipe, notes: Notes) -> Signs:
    """The signs that recipe, names of columns and header state; values of the header that they touch are turned with them.

    Parameters
    ----------
    kind : str
        ``"iv"`` or ``"iz"``.
    roles, meta, recipe : list of Role, Metadata, Recipe
        Whoever may state a sign; the values of `meta` are turned in place.
    notes : Notes
        Takes what was turned.

    Raises
    ------
    UnreadableFile
        If names and header contradict each other, or both turn a sign: that may be said twice, or be meant twice.
    """
    by_name = _of_tip(roles)
    _refuse_twice(roles, meta, recipe)
    said = {**meta.signs, **({"bias": by_name} if by_name else {})}
    by_recipe = {"bias": recipe.bias_sign, "current": recipe.current_sign, "height": recipe.height_sign}
    if by_name and recipe.bias_sign is None and meta.signs.get("bias", by_name) != by_name:
        name = next(shown(role.label) for role in roles if role.of_tip)
        raise UnreadableFile(
            f"the column {name} is of the tip by its name, and the header says that the bias is of the sample. Say "
            "bias_sign = 1 (or -1) in a recipe."
        )
    sign = {quantity: stated or said.get(quantity, 1) for quantity, stated in by_recipe.items()}
    by = {q: "the header" if by_recipe[q] is None else "the recipe" for q in by_recipe}
    if by_name and recipe.bias_sign is None and "bias" not in meta.signs:
        by["bias"] = "the name of its column"
    if sign["bias"] < 0:
        notes.add(f"{TURNED}bias turned: sample relative to tip, as {by['bias']} says it was of the tip")
        for key in ("bias_V", "setpoint_bias_V"):
            if isinstance(meta.values.get(key), float):
                meta.values[key] = -float(meta.values[key])
    if sign["current"] < 0:
        notes.add(f"{TURNED}current turned: {by['current']} says it is inverted")
        if isinstance(meta.values.get("setpoint_current_A"), float) and float(meta.values["setpoint_current_A"]) < 0:
            meta.values["setpoint_current_A"] = -float(meta.values["setpoint_current_A"])
    if kind == "iz" and sign["height"] < 0:
        notes.add(HEIGHT_TURNED.format(by["height"]))
    return Signs(**sign)


def says_height(block: Block, recipe: Recipe) -> bool:
    """Whether anybody says which way the height grows: the recipe, the header, or the name of a column.

    Parameters
    ----------
    block, recipe : Block, Recipe
    """
    entries = [recipe.entry(column.path or column.name, i) for i, column in enumerate(block.columns, 1)]
    if recipe.height_sign is not None or any(entry is not None and entry.scale < 0 for entry in entries):
        return True
    heights = [c.name for c in block.columns if understand(c.name, c.unit).quantity == "height"]
    if any(understand(name).sign < 0 or _OF_THE_GAP.search(name) for name in heights):
        return True
    return "height" in read_metadata(block.header, "iz", block.decimal, recipe).signs


_OF_THE_GAP = re.compile(r"(?i)distance|separation")  # between tip and surface: it grows away from it


def _of_tip(roles: Sequence[Role]) -> int | None:
    """-1 if the columns of bias are of the tip by their names, None if no name says so."""
    of_tip = {role.of_tip for role in roles if role.read_as == "bias"}
    if len(of_tip) == 2:
        names = ", ".join(shown(role.label) for role in roles if role.read_as == "bias")
        raise UnreadableFile(
            f"{names} are of the tip and of the sample. Say under [[column]] in a recipe which one was swept, and "
            'read_as = "unused" for the other.'
        )
    return -1 if of_tip == {True} else None


def _refuse_twice(roles: Sequence[Role], meta: Metadata, recipe: Recipe) -> None:
    """A column that is negative by its name, in a file that says its quantity is inverted: once or twice?"""
    by_recipe = {"bias": recipe.bias_sign, "current": recipe.current_sign, "height": recipe.height_sign}
    for role in roles:
        q = role.read_as
        if role.said.sign < 0 and q in by_recipe and by_recipe[q] is None and (meta.signs.get(q, 1) < 0 or role.of_tip):
            raise UnreadableFile(
                f"{shown(role.label)} is the negative of the {q} by its name, and by the header or its name its sign is turned "
                f"as well: once or twice? Say {q}_sign = 1 (name only) or -1 (both) in a recipe."
            )


def turn_with_bias(rise: float, signs: Signs, meta: Metadata, recipe: Recipe, notes: Notes) -> bool:
    """Whether the current of I(V) sweeps is turned because the bias was: a junction takes up power.

    Parameters
    ----------
    rise : float
        Whether the current rises with the bias (+1) or falls (-1) in most sweeps, from `rise_of`.
    """
    if rise >= 0:
        return False
    stated = recipe.current_sign is not None or "current" in meta.signs
    if signs.bias < 0 and not stated:
        notes.add(
            f"{TURNED}current turned with the bias: a junction takes up power, so the current rises with the bias"
        )
        return True
    notes.add(
        f"{TURNED}the current falls where the bias rises, as in no passive junction; if the amplifier inverts, say "
        "current_sign = -1 in a recipe, if the bias is of the tip, bias_sign = -1"
    )
    return False


def takes_up_power(bias: np.ndarray, current: np.ndarray | None) -> bool:
    """Whether every current (m, n) has the sign of its bias (n,) and is small where the bias is: a passive junction.

    Its current may fall with the bias all the same, as where a memory cell is reset or a resonance passes.

    Parameters
    ----------
    bias : ndarray, shape (n,)
        Ascending [V].
    current : ndarray, shape (m, n), optional
        [A].
    """
    if current is None:
        return False
    rows = np.nan_to_num(np.atleast_2d(current))
    power = rows * bias
    largest = np.abs(rows).max(axis=1)
    at_zero = np.abs(rows[:, int(np.argmin(np.abs(bias)))])
    same = power.sum(axis=1) > ONE_SIGN * np.abs(power).sum(axis=1)
    return bool((same & (at_zero < SMALL * largest)).all())


def rise_of(current: np.ndarray) -> float:
    """Whether more of the sweeps (m, n) have a current that rises from end to end (> 0), or one that falls (< 0).

    A sweep counts only where its two ends differ clearly; an offset of either sign does not matter.

    Parameters
    ----------
    current : ndarray, shape (m, n)
        Over an ascending bias [A].
    """
    size = max(1, current.shape[1] // 5)
    if (current[:, -size:].sum(axis=1) > current[:, :size].sum(axis=1)).all():
        return float(len(current))  # as in nearly every file
    known = np.isfinite(current)
    step = np.abs(np.diff(np.where(known, current, 0.0), axis=1))
    step[~(known[:, 1:] & known[:, :-1])] = 0.0
    low, high = (np.where(k, c, 0.0).sum(axis=1) / np.maximum(k.sum(axis=1), 1) for c, k in
                 ((current[:, :size], known[:, :size]), (current[:, -size:], known[:, -size:])))  # fmt: skip
    change, path = high - low, step.sum(axis=1)
    noise = 4 * path / (current.shape[1] - 1) / np.sqrt(size)  # of the difference of the ends, were there nothing else
    clear = (np.abs(change) > np.minimum(0.5 * path, noise)) & (path > 0)
    return float(np.sign(change[clear]).sum())


def direction_of(source: Source, said: str, *, sign: int, turned: int, branches: int) -> str:
    """The model's word for a direction: what the file says, else the order of the points where that tells.

    Parameters
    ----------
    source : Source
        Of the sweep; takes a note where a word is turned, and the sign of a sweep that is called forward.
    said : str
        The file's word, "" if it has none.
    sign, turned : int
        Whether the axis ascends in the order of the file (+1 or -1), and whether its sign was turned (-1).
    branches : int
        How many runs the axis makes.
    """
    kind, notes = source.kind, source.notes
    up, down = DIRECTIONS[kind]
    word = DIRECTION_WORDS.get(said.strip().lower(), "")
    if said.strip() and not word:
        notes.add(f"direction {shown(said)} is not known; expected {up} or {down}, forward or backward. Not used")
    along, against = (up, down) if sign > 0 else (down, up)
    if branches > 1:
        return along
    if word in ("forward", "backward"):
        return _forward_or_backward(source, word, along, against, sign=sign, turned=turned)
    if kind == "iz":
        word = {"up": "retract", "down": "approach"}.get(word, word)
    elif word in ("retract", "approach"):
        word = ""
    if word == up and sign * turned < 0:
        notes.add(f"the {KINDS[kind]} falls in the file, which says {said.strip()}; taken as {up}")
    if not word and kind == "iv" and sign * turned < 0:
        return along  # only the order of recording puts a falling axis into a file; a rising one may have been sorted
    return word


def _forward_or_backward(source: Source, word: str, along: str, against: str, *, sign: int, turned: int) -> str:
    """A sweep that the file calls forward or backward.

    Backward is the other way where both are written over one axis, and where the axis of a backward sweep alone rises: it
    may be that of its forward sweep. An axis of its own that runs against that of the forward sweep, or falls, stands
    in the order in which it was recorded.
    """
    given, forward = source.recipe.forward, source.forward
    if given in (along, against):
        other = against if given == along else along
        taken, by = given if word == "forward" else other, "the recipe says so"
    elif word == "forward":
        forward.append(sign)
        taken, by = along, "the way the axis runs in the file"
    elif forward[-1] != sign if forward else sign * turned < 0:
        taken, by = along, "the way its axis runs in the file"
    else:
        taken, by = against, "against the way the axis runs in the file"
    source.notes.add(f"{word} taken as {taken}: {by}")
    return taken
