"""From blocks of columns to `SweepSet`s: what was swept, what the header says, sweeps in SI units with names."""

from __future__ import annotations

import numpy as np

from sts.loaders.bare import bare_columns
from sts.loaders.block import Block
from sts.loaders.channels import SAMPLES, channels_of, clock_of, groups_of
from sts.loaders.column_names import says_beside
from sts.loaders.columns import Role, roles_of
from sts.loaders.conventions import Source, rise_of, signs_of, takes_up_power, turn_with_bias
from sts.loaders.loaded import Notes, UnreadableFile, shown
from sts.loaders.metadata import read_metadata
from sts.loaders.numbered import settle_numbered
from sts.loaders.path_names import labels_of_title
from sts.loaders.recipe import Recipe
from sts.loaders.rows import values_in_rows
from sts.loaders.runs import Run, largest, numbers, runs_of, span
from sts.loaders.sets import sets_of
from sts.loaders.signs import SIGN_KEYS
from sts.loaders.values import in_si, scaled
from sts.loaders.words import key_of, own_column
from sts.sweeps import KINDS, NUMBER_COLUMNS, SweepSet


def assemble(blocks: list[Block], name: str, recipe: Recipe) -> tuple[tuple[SweepSet, ...], tuple[str, ...]]:
    """The sets of sweeps of a file and the notes on what was done.

    Parameters
    ----------
    blocks : list of Block
    name : str
        Of the file, for the names of its sweeps.
    recipe : Recipe

    Raises
    ------
    UnreadableFile
        If the columns do not make a sweep.
    """
    notes = Notes()
    runs: list[Run] = []
    forward: list[int] = []
    for block in _without_what_stands_beside(blocks, notes):
        for note in block.notes:
            notes.add(note)
        runs += _runs_of_block(block, recipe, notes, forward=forward, several=len(blocks) > 1)
    if not runs:
        raise UnreadableFile("holds no sweep of two or more points. Export it again.")
    return sets_of(runs, name, tuple(notes)), tuple(notes)


def _without_what_stands_beside(blocks: list[Block], notes: Notes) -> list[Block]:
    """Tables of data; not those that a title calls a fit, a mean or an uncertainty where others are there."""
    beside = [bool(block.title) and says_beside(block.title) for block in blocks]
    if all(beside):
        return blocks
    titles = [shown(block.title) for block, out in zip(blocks, beside, strict=True) if out]
    if titles:
        notes.add(f"{', '.join(titles[:6])} by the title no data (a fit, a mean or an uncertainty); not used")
    return [block for block, out in zip(blocks, beside, strict=True) if not out]


def _runs_of_block(block: Block, recipe: Recipe, notes: Notes, *, forward: list[int], several: bool) -> list[Run]:
    if block.in_rows and not any(column.name for column in block.columns):
        raise values_in_rows([column.values for column in block.columns], block.place)
    roles = roles_of(block, recipe, notes)
    kind = _kind_of(roles, recipe, block.place)
    _refuse_logarithms(roles, kind, block.place)
    stacked = any(column.values.ndim == 2 for column in block.columns)
    if not any(r.read_as in ("current", "lockin") for r in roles):
        seen = ", ".join(shown(r.label) for r in roles if r.read_as not in ("bias", "height"))
        raise UnreadableFile(
            f"no column was understood as current or lock-in signal; found {seen or 'the axis only'}. Name it like "
            '\'I (nA)\', or say under [[column]] in a recipe: name = "...", read_as = "current", unit = "nA".',
            place=block.place,
        )
    unused = [r.label for r in roles if not r.read_as and not r.note and (stacked or r.label != f"column {r.number}")]
    if unused:
        notes.add(f"not used: {', '.join(shown(u) for u in unused[:12])}" + (", ..." if len(unused) > 12 else ""))
    meta = read_metadata(block.header, kind, block.decimal, recipe)
    if several:
        meta.values = labels_of_title(block.title) | meta.values
    meta.values.update(_from_recipe(recipe, block.decimal))
    for note in meta.notes:
        notes.add(note)
    if meta.unread:
        shown_keys = ", ".join(meta.unread[:40])
        notes.add(f"header entries not read: {shown_keys}" + (", ..." if len(meta.unread) > 40 else ""))
    channels = channels_of(roles, KINDS[kind])
    source = Source(
        kind=kind,
        place=block.place,
        recipe=recipe,
        meta=meta,
        signs=signs_of(kind, roles, meta, recipe, notes),
        clock=clock_of(roles, channels),
        breaks=block.breaks,
        stacked=stacked,
        notes=notes,
        forward=forward,
    )
    runs: list[Run] = []
    for group in groups_of(roles, block, notes):
        held = _held_bias(roles, group.rows, source) if kind == "iz" and not stacked else np.nan
        if np.isfinite(held):
            group.values.setdefault("bias_V", held)
        for channel in channels:
            runs += _named(runs_of(channel, group, source), roles, len(channels), channel.repeat)
    if len(channels) > 1:
        runs = settle_numbered(runs, notes)
    if kind == "iv" and turn_with_bias(_rise(runs), source.signs, meta, recipe, notes):
        for run in runs:
            run.current = None if run.current is None else 0.0 - run.current
    return runs


def _rise(runs: list[Run]) -> float:
    """In how many sweeps the current rises with the bias, less those in which it falls and that may take up no power."""
    alike: dict[int, list[Run]] = {}
    for run in runs:
        if run.current is not None:
            alike.setdefault(run.axis.size, []).append(run)
    rise = sum(_rise_of(parts) for parts in alike.values())
    if rise >= 0:
        return rise
    passive = {id(run) for parts in alike.values() for run in parts if takes_up_power(run.axis, run.current)}
    others = [[run for run in parts if id(run) not in passive] for parts in alike.values()]
    return len(passive) + sum(_rise_of(parts) for parts in others if parts)


def _rise_of(runs: list[Run]) -> float:
    """`rise_of` for runs of one size."""
    return rise_of(np.concatenate([run.current for run in runs if run.current is not None]))


def _kind_of(roles: list[Role], recipe: Recipe, place: str) -> str:
    """``iv`` or ``iz``, by the axis that the columns hold."""
    axes = {role.read_as for role in roles} & {"bias", "height"}
    if recipe.kind and KINDS[recipe.kind] in axes:
        return recipe.kind
    if not axes and not any(role.column.name for role in roles):
        raise bare_columns([role.column.values for role in roles], place)
    if not axes:
        seen = ", ".join(shown(role.label) for role in roles[:8])
        raise UnreadableFile(
            f"no column was understood as bias or height; found {seen}. Name them like 'V (mV)' or 'z (nm)', or say "
            'under [[column]] in a recipe: name = "...", read_as = "bias", unit = "mV".',
            place=place,
        )
    if axes == {"bias"} or axes == {"height"}:
        return "iv" if axes == {"bias"} else "iz"
    moving = {r.read_as for r in roles if r.read_as in axes and span(r.column.values) > 0}
    if len(moving) == 1:
        return "iv" if moving == {"bias"} else "iz"
    raise UnreadableFile(
        'both bias and height change; it cannot be told which was swept. Say kind = "iv" or kind = "iz" in a recipe.',
        place=place,
    )


def _refuse_logarithms(roles: list[Role], kind: str, place: str) -> None:
    """A logarithm has lost the sign of what it was taken of; only the current over height has none to lose."""
    for role in roles:
        if role.said.logarithm and (role.read_as != "current" or kind != "iz"):
            raise UnreadableFile(
                f"{shown(role.label)} is a logarithm, which has lost the sign. Export the {role.read_as} itself, or leave "
                f'the column out by a recipe: read_as = "unused".',
                place=place,
            )


def _held_bias(roles: list[Role], rows: np.ndarray | slice, source: Source) -> float:
    """The bias of a height sweep from a column beside it, if it is constant; NaN if there is none."""
    role = next((r for r in roles if r.read_as == "bias"), None)
    if role is None:
        return np.nan
    values = numbers(role, rows, source.notes)
    if np.isfinite(values).all() and span(values) <= 1e-6 * largest(values):
        return float(values[0]) * source.signs.bias
    source.notes.add(f"{shown(role.label)}: changes during the height sweep, so no bias is recorded for it")
    return np.nan


def _from_recipe(recipe: Recipe, decimal: str) -> dict[str, str | float]:
    """Values that the recipe gives for all sweeps."""
    result: dict[str, str | float] = {}
    for key, value in recipe.values.items():
        column = key if key in NUMBER_COLUMNS else key_of(key)[0] or own_column(key)
        if column in (*SIGN_KEYS, "tip bias"):
            raise UnreadableFile(
                f"'{key}' under [values] of the recipe turns a sign; say bias_sign, current_sign or height_sign."
            )
        if column not in NUMBER_COLUMNS:
            result[column] = str(value)
        elif not isinstance(value, str):
            result[column] = float(value)
        else:
            number, why = in_si(column, value, key_of(key)[1], decimal)
            if number is None:
                raise UnreadableFile(f"'{key}' of the recipe is {shown(value)}, which {why}. Correct the recipe.")
            result[column] = number
    return result


def _named(runs: list[Run], roles: list[Role], channels: int, repeat: int | None) -> list[Run]:
    """The runs of a stack with what its arrays say of each sweep; single runs as they are."""
    for number, run in enumerate(runs, 1):
        if not run.stacked:
            continue
        for role in roles:
            values = role.column.values
            if role.read_as and role.read_as not in SAMPLES and values.ndim == 1 and values.size == run.count:
                run.values[role.read_as] = scaled(values, role.factor) if values.dtype == float else values
        told = run.direction if len(runs) > 1 or channels > 1 else ""
        run.label = "_".join(part for part in (told, str(repeat or "") if channels > 1 else "") if part)
        if len(runs) > 2:
            run.repeat = float((number + 1) // 2)
            run.label += f"|{number}"
    return runs
