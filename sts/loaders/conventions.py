"""Signs and directions: from the file's convention to the one of the data model, and a note on whatever was turned."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sts.loaders.loaded import Notes, shown
from sts.loaders.metadata import Metadata
from sts.loaders.recipe import Recipe
from sts.loaders.words import DIRECTION_WORDS
from sts.sweeps import DIRECTIONS


@dataclass(frozen=True)
class Signs:
    """What the numbers of a file are multiplied with."""

    bias: int
    current: int
    height: int

    def of(self, quantity: str) -> int:
        """The sign of an axis or of the current; 1 for anything else."""
        return int(getattr(self, quantity, 1))


def signs_of(kind: str, meta: Metadata, recipe: Recipe, notes: Notes) -> Signs:
    """The signs that recipe and header state; values of the header that they touch are turned with them."""
    bias = recipe.bias_sign if recipe.bias_sign is not None else meta.bias_sign or 1
    current = recipe.current_sign if recipe.current_sign is not None else meta.current_sign or 1
    by = {True: "the recipe", False: "the header"}
    if bias < 0:
        notes.add(f"bias turned: sample relative to tip, as {by[recipe.bias_sign is not None]} says it was of the tip")
        for key in ("bias_V", "setpoint_bias_V"):
            if isinstance(meta.values.get(key), float):
                meta.values[key] = -float(meta.values[key])
    if current < 0:
        notes.add(f"current turned: {by[recipe.current_sign is not None]} says it is inverted")
        if isinstance(meta.values.get("setpoint_current_A"), float) and float(meta.values["setpoint_current_A"]) < 0:
            meta.values["setpoint_current_A"] = -float(meta.values["setpoint_current_A"])
    if kind == "iz" and recipe.height_sign < 0:
        notes.add("height turned: the recipe says it grows towards the surface")
    return Signs(bias, current, recipe.height_sign)


def turn_with_bias(power: float, signs: Signs, meta: Metadata, recipe: Recipe, notes: Notes) -> bool:
    """Whether the current of I(V) sweeps is turned because the bias was: a junction takes up power.

    Parameters
    ----------
    power : float
        Sum over the sweeps of the sign of I·V.
    """
    if power >= 0:
        return False
    stated = recipe.current_sign is not None or meta.current_sign is not None
    if signs.bias < 0 and not stated:
        notes.add("current turned with the bias: a junction takes up power, so it is positive at positive bias")
        return True
    notes.add(
        "the current is negative at positive bias; if the amplifier inverts, say current_sign = -1 in a recipe, if the "
        "bias is of the tip, bias_sign = -1"
    )
    return False


def direction_of(kind: str, said: str, sign: int, branches: int, *, turned: int, recipe: Recipe, notes: Notes) -> str:
    """The model's word for a direction: what the file says, else the order of the points where that tells.

    Parameters
    ----------
    said : str
        The file's word, "" if it has none.
    sign, turned : int
        Whether the axis ascends in the order of the file (+1 or -1), and whether its sign was turned (-1).
    branches : int
        How many runs the axis makes.
    """
    up, down = DIRECTIONS[kind]
    word = DIRECTION_WORDS.get(said.strip().lower(), "")
    if said.strip() and not word:
        notes.add(f"direction {shown(said)} is not known; expected {up} or {down}, forward or backward. Not used")
    if branches > 1:
        return up if sign > 0 else down
    if word in ("forward", "backward"):
        forward = recipe.forward if recipe.forward in (up, down) else up if sign > 0 else down
        backward = down if forward == up else up
        by = "the recipe says so" if recipe.forward else "the way the axis runs in the file"
        notes.add(f"forward taken as {forward}, backward as {backward}: {by}")
        return forward if word == "forward" else backward
    if kind == "iz":
        word = {"up": "retract", "down": "approach"}.get(word, word)
    elif word in ("retract", "approach"):
        word = ""
    if not word and kind == "iv" and sign * turned < 0:
        # only the order of recording puts a falling axis into a file; a rising one may have been sorted
        return up if sign > 0 else down
    return word


def power_of(current: np.ndarray, axis: np.ndarray) -> float:
    """Sum over sweeps (m, n) of the sign of I·V."""
    known = np.isfinite(current).any(axis=-1)
    return float(np.sign(np.nansum(current[known] * axis, axis=-1)).sum())
