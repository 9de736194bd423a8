"""From blocks of columns to `SweepSet`s: sweeps told apart, axes ascending, SI units, signs, names, table."""

from __future__ import annotations

from dataclasses import replace
from pathlib import PurePath
from typing import Any

import numpy as np
import pandas as pd

from sts.loaders.block import Block
from sts.loaders.branches import SHORTEST, Branch, average_repeats, split_branches
from sts.loaders.columns import Role, roles_of
from sts.loaders.loaded import UnreadableFile, shown
from sts.loaders.metadata import Metadata, in_si, read_metadata, scaled
from sts.loaders.recipe import Recipe
from sts.loaders.sets import Sweep, safe_name, sets_of
from sts.loaders.words import DIRECTION_WORDS, key_of
from sts.sweeps import AXIS_UNITS, DIRECTIONS, KINDS, NUMBER_COLUMNS, SweepSet

OVERLOAD = 9.9e37  # IEEE 488.2 / SCPI-99: 9.9E37 stands for infinity, 9.91E37 for "not a number"
LARGEST = {"iv": 1e3, "iz": 1e-3}  # V, m: beyond, the unit must be wrong
LARGEST_CURRENT = 1e3  # A


class Notes(list[str]):
    """Notes in order, each once."""

    def add(self, note: str) -> None:
        if note not in self:
            self.append(note)


def assemble(blocks: list[Block], name: str, recipe: Recipe) -> tuple[tuple[SweepSet, ...], tuple[str, ...]]:
    """The sets of sweeps of a file and the notes on what was done.

    Raises
    ------
    UnreadableFile
        If the columns do not make a sweep.
    """
    notes = Notes()
    sweeps: list[Sweep] = []
    stacks: list[SweepSet] = []
    for block in blocks:
        for note in block.notes:
            notes.add(note)
        if any(column.values.ndim == 2 for column in block.columns):
            stacks += _stacks_of(block, name, recipe, notes)
        else:
            sweeps += _sweeps_of(block, name, recipe, notes)
    if not sweeps and not stacks:
        raise UnreadableFile(f"{name}: holds no sweep of two or more points. Export it again.")
    sets = (*sets_of(sweeps, name, notes), *(replace(s, notes=tuple(notes)) for s in stacks))
    names = [n for s in sets for n in s.names]
    if len(set(names)) < len(names):  # several groups of one file
        sets = tuple(
            replace(s, table=s.table.assign(sweep=[f"{n}_{i}" for n in s.names])) for i, s in enumerate(sets, 1)
        )
    return sets, tuple(notes)


def kind_of(roles: list[Role], recipe: Recipe, where: str) -> str:
    """``iv`` or ``iz``, by the axis that the columns hold."""
    axes = {role.read_as for role in roles} & {"bias", "height"}
    if recipe.kind and KINDS[recipe.kind] in axes:
        return recipe.kind
    if not axes and not any(role.column.name for role in roles):
        raise UnreadableFile(
            f"{where}: no line above the numbers names the {len(roles)} columns. Put one there, such as 'V "
            f"(mV)' and 'I (nA)', or "
            'say column_names = ["V (mV)", "I (nA)"] in a recipe.'
        )
    if not axes:
        seen = ", ".join(shown(role.label) for role in roles[:8])
        raise UnreadableFile(
            f"{where}: no column was understood as bias or height; found {seen}. Name them like 'V (mV)' "
            f"or 'z (nm)', or "
            'say under [[column]] in a recipe: name = "...", read_as = "bias", unit = "mV".'
        )
    if axes == {"bias"} or axes == {"height"}:
        return "iv" if axes == {"bias"} else "iz"
    moving = {r.read_as for r in roles if r.read_as in axes and _span(r.column.values) > 0}
    if len(moving) == 1:
        return "iv" if moving == {"bias"} else "iz"
    raise UnreadableFile(
        f'{where}: both bias and height change; it cannot be told which was swept. Say kind = "iv" or kind '
        f'= "iz" in a recipe.'
    )


def _span(values: np.ndarray) -> float:
    finite = values[np.isfinite(values)]
    return float(np.ptp(finite)) if finite.size else 0.0


def _sweeps_of(block: Block, name: str, recipe: Recipe, notes: Notes) -> list[Sweep]:
    where = f"{name}, {block.place}" if block.place else name
    roles = roles_of(block, recipe, name)
    kind = kind_of(roles, recipe, where)
    if not any(r.read_as in ("current", "lockin") for r in roles):
        seen = ", ".join(shown(r.label) for r in roles if r.read_as not in ("bias", "height"))
        raise UnreadableFile(
            f"{where}: no column was understood as current or lock-in signal; found "
            f"{seen or 'the axis only'}. Name it like "
            '\'I (nA)\', or say under [[column]] in a recipe: name = "...", read_as = "current", unit = "nA".'
        )
    unused = [r.label for r in roles if not r.read_as and r.label != f"column {r.number}"]
    if unused:
        notes.add(f"not used: {', '.join(shown(u) for u in unused[:12])}" + (", ..." if len(unused) > 12 else ""))
    meta = read_metadata([*block.header], kind, block.decimal, recipe)
    for key, value in _from_recipe(recipe, name, kind, block.decimal, meta).items():
        meta.values[key] = value
    for note in meta.notes:
        notes.add(note)
    axis_name = KINDS[kind]
    signs = _signs(kind, meta, recipe, notes)
    groups = _groups(roles, block)
    channels = _channels(roles, axis_name)
    clock = _clock(roles, channels)
    sweeps: list[Sweep] = []
    for label, rows, values in groups:
        held = _held_bias(roles, rows, signs["bias"], notes) if kind == "iz" else np.nan
        if np.isfinite(held):
            values.setdefault("bias_V", held)
        for axis_role, current, lockin, direction, repeat in channels:
            sweeps += _runs(
                kind,
                rows,
                axis_role,
                current,
                lockin,
                direction,
                repeat,
                label,
                values,
                block,
                where,
                recipe,
                meta,
                signs,
                clock,
                notes,
            )
    if kind == "iv":
        _settle_polarity(sweeps, signs, meta, recipe, notes)
    return sweeps


def _held_bias(roles: list[Role], rows: np.ndarray | slice, sign: int, notes: Notes) -> float:
    """The bias of a height sweep from a column beside it, if it is constant; NaN if there is none."""
    role = next((r for r in roles if r.read_as == "bias"), None)
    if role is None:
        return np.nan
    values = _numbers(role, rows, notes)
    if np.isfinite(values).all() and _span(values) <= 1e-6 * _largest(values):
        return float(values[0]) * sign
    notes.add(f"{shown(role.label)}: changes during the height sweep, so no bias is recorded for it")
    return np.nan


def _from_recipe(recipe: Recipe, name: str, kind: str, decimal: str, meta: Metadata) -> dict[str, str | float]:
    """Values that the recipe gives for all sweeps, and those in the file's name."""
    result: dict[str, str | float] = {}
    for key, value in {**recipe.from_file_name(name), **recipe.values}.items():
        column = key if key in NUMBER_COLUMNS else key_of(key)[0] or key
        if column in NUMBER_COLUMNS:
            if isinstance(value, str):
                unit = key_of(key)[1]
                number, why = in_si(column, value, unit, decimal)
                if number is None:
                    raise UnreadableFile(
                        f"{name}: '{key}' of the recipe is {shown(value)}, which {why}. Correct the recipe."
                    )
                result[column] = number
            else:
                result[column] = float(value)
        else:
            result[column] = str(value)
    return result


def _signs(kind: str, meta: Metadata, recipe: Recipe, notes: Notes) -> dict[str, int]:
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
    return {"bias": bias, "current": current, "height": recipe.height_sign}


def _settle_polarity(sweeps: list[Sweep], signs: dict[str, int], meta: Metadata, recipe: Recipe, notes: Notes) -> None:
    """A junction takes up power: where the bias was turned and the current's sign is not stated, it is turned too."""
    power = 0.0
    for sweep in sweeps:
        if sweep.current is not None and np.isfinite(sweep.current).any():
            slope = sweep.current * sweep.axis
            power += float(np.sign(np.nansum(slope)))
    if power >= 0:
        return
    stated = recipe.current_sign is not None or meta.current_sign is not None
    if signs["bias"] < 0 and not stated:
        for sweep in sweeps:
            if sweep.current is not None:
                sweep.current = 0.0 - sweep.current
        notes.add("current turned with the bias: a junction takes up power, so it is positive at positive bias")
    else:
        notes.add(
            "the current is negative at positive bias; if the amplifier inverts, say current_sign = -1 in "
            "a recipe, if the bias "
            "is of the tip, bias_sign = -1"
        )


def _groups(roles: list[Role], block: Block) -> list[tuple[str, np.ndarray | slice, dict[str, Any]]]:
    """The sweeps of a long table (label, rows, what its columns say); one sweep if it has no such columns."""
    about = [r for r in roles if r.read_as and r.read_as not in ("bias", "height", "current", "lockin", "time")]
    if not about:
        return [("", slice(None), {})]
    frame = pd.DataFrame({f"{i}": r.column.values for i, r in enumerate(about)})
    named = [str(i) for i, r in enumerate(about) if r.read_as in ("sweep", "direction", "repeat")]
    has_sweep = any(r.read_as == "sweep" for r in about)
    keys = named if has_sweep else list(frame.columns)
    codes = frame.groupby(keys, sort=False, dropna=False).ngroup().to_numpy()
    order = np.argsort(codes, kind="stable")
    bounds = np.flatnonzero(np.diff(codes[order])) + 1
    result: list[tuple[str, np.ndarray | slice, dict[str, Any]]] = []
    pieces = np.split(order, bounds)
    for piece in pieces:
        values: dict[str, Any] = {}
        label = ""
        for role in about:
            cells = role.column.values[piece]
            first = cells[0]
            if (
                cells.dtype == float
                and len(pieces) > 1
                and not (cells == first).all()
                and role.read_as not in ("sweep",)
            ):
                first = float(np.nanmean(cells)) if np.isfinite(cells).any() else np.nan
            value = float(scaled(np.float64(first), role.factor)) if cells.dtype == float else str(first)
            if role.read_as == "sweep":
                label = f"{value:.9g}" if isinstance(value, float) else value
            else:
                values[role.read_as] = value
        if not has_sweep:
            kept = [v for k, v in values.items() if k not in ("direction", "repeat")]
            label = "_".join(f"{v:.6g}" if isinstance(v, float) else v for v in kept) if len(pieces) > 1 else ""
        result.append((label, piece, values))
    return result


Channel = tuple[Role, Role | None, Role | None, str, int | None]


def _channels(roles: list[Role], axis_name: str) -> list[Channel]:
    """Which current and lock-in column belong to which axis column, one entry a sweep."""
    axes = [r for r in roles if r.read_as == axis_name]
    found: dict[tuple[int, str, int | None, int], dict[str, Role]] = {}
    for role in roles:
        if role.read_as not in ("current", "lockin"):
            continue
        same = [a for a in axes if a.direction == role.direction and a.direction]
        left = [a for a in same or axes if a.number < role.number and (a.repeat is None or a.repeat == role.repeat)]
        axis = left[-1] if left else (same or axes)[0]
        copy = 0
        while role.read_as in found.get((axis.number, role.direction, role.repeat, copy), {}):
            copy += 1
        found.setdefault((axis.number, role.direction, role.repeat, copy), {})[role.read_as] = role
    by_number = {a.number: a for a in axes}
    copies = max((key[3] for key in found), default=0)
    lone = [key for key, pair in found.items() if set(pair) == {"lockin"}]
    paired = [key for key, pair in found.items() if "current" in pair]
    if len(lone) == 1 and len(paired) == 1 and lone[0][0] == paired[0][0] and (not lone[0][1] or not paired[0][1]):
        found[paired[0]].setdefault("lockin", found.pop(lone[0])["lockin"])  # one of each, one without a direction
    return [
        (
            by_number[key[0]],
            pair.get("current"),
            pair.get("lockin"),
            key[1],
            key[2] if key[2] is not None else key[3] + 1 if copies else None,
        )
        for key, pair in found.items()
    ]


def _clock(roles: list[Role], channels: list[Channel]) -> Role | None:
    """The column of times, if there is one, and one sweep only that it can be of."""
    clocks = [role for role in roles if role.read_as == "time"]
    return clocks[0] if len(clocks) == len(channels) == 1 else None


def _duration(times: np.ndarray | None, branch: Branch) -> dict[str, float]:
    """How long a run took, last time less first; nothing where the times do not run on."""
    if times is None or times.ndim != 1:
        return {}
    own = times[np.sort(branch.rows)]
    return {"duration_s": float(own[-1] - own[0])} if (np.diff(own) >= 0).all() and own[-1] > own[0] else {}


def _numbers(role: Role, rows: np.ndarray | slice, notes: Notes) -> np.ndarray:
    values = np.asarray(role.column.values[rows], float)
    if not _largest(values) < OVERLOAD:
        wild = np.abs(values) >= OVERLOAD
        notes.add(f"{shown(role.label)}: {int(wild.sum())} samples marked as overload or infinite are taken as missing")
        values = np.where(wild, np.nan, values)
    return np.asarray(scaled(values, role.factor), float)


def _branches(axis: np.ndarray, breaks: tuple[int, ...], kind: str, where: str, role: Role) -> list[Branch]:
    try:
        return split_branches(axis, breaks)
    except ValueError as error:
        raise UnreadableFile(
            f"{where}, column {role.number} '{role.label}': the {KINDS[kind]} {error}; expected sweeps "
            f"that run one way, or there "
            "and back. Check which column is the axis; if sweeps are mixed, a column 'sweep' tells them apart."
        ) from None


def _largest(values: np.ndarray) -> float:
    """The largest magnitude, NaN passed over, without temporaries."""
    return float(max(np.fmax.reduce(values, axis=None, initial=0.0), -np.fmin.reduce(values, axis=None, initial=0.0)))


def _runs(
    kind: str, rows: np.ndarray | slice, axis_role: Role, current: Role | None, lockin: Role | None, direction: str,
    repeat: int | None, label: str, values: dict[str, Any], block: Block, where: str, recipe: Recipe, meta: Metadata,
    signs: dict[str, int], clock: Role | None, notes: Notes,
) -> list[Sweep]:  # fmt: skip
    """The sweeps of one axis and its signals."""
    axis = _numbers(axis_role, rows, notes) * signs[axis_role.read_as] + 0.0  # no -0
    signals = [
        _numbers(role, rows, notes) * (signs["current"] if role is current else 1) + 0.0
        for role in (current, lockin)
        if role is not None
    ]
    times = _numbers(clock, rows, notes) if clock is not None else None
    good = np.isfinite(axis)
    breaks = block.breaks if isinstance(rows, slice) else ()
    if not good.all():
        some = [bool(np.isfinite(s[~good]).any()) for s in signals]
        if any(some):
            notes.add(f"{shown(axis_role.label)}: {int((~good).sum())} rows without a number on the axis are left out")
        axis, signals, breaks = axis[good], [s[good] for s in signals], ()
        times = times[good] if times is not None else None
    if axis.size and not any(np.isfinite(s[-1]) for s in signals):  # a shorter column beside a longer one
        filled = np.flatnonzero(np.any([np.isfinite(s) for s in signals], axis=0))
        end = int(filled[-1]) + 1 if filled.size else axis.size
        if axis.size - end > 1 or (axis.size > end and axis_role.direction):
            axis, signals = axis[:end], [s[:end] for s in signals]
    _check_size(kind, axis, signals[0] if current is not None else None, axis_role, current, where)
    if axis.size < 2 or np.ptp(axis) == 0:
        found = f"{axis.size} points" if axis.size < 2 else f"the constant value {axis[0]:g} {AXIS_UNITS[kind]}"
        raise UnreadableFile(
            f"{where}, column {axis_role.number} '{axis_role.label}': the axis has {found}; expected a "
            f"sweep of {KINDS[kind]}. "
            "Check which column is the axis (preview the file), or name the columns in a recipe."
        )
    branches = _branches(axis, breaks, kind, where, axis_role)
    longest = max((b.rows.size for b in branches), default=0)
    kept = [b for b in branches if b.rows.size >= min(SHORTEST, longest)]
    if len(kept) < len(branches):
        notes.add(f"{len(branches) - len(kept)} runs of fewer than {SHORTEST} points between longer ones are left out")
    if len(kept) > 1:
        notes.add(f"the {KINDS[kind]} turns or starts again: split into {len(kept)} sweeps there")
    sweeps = []
    turned = signs[axis_role.read_as] * (1 if axis_role.factor > 0 else -1)
    stack = np.array(signals)
    for branch in kept:
        if not branch.steady:
            notes.add(f"the {KINDS[kind]} is not steady within a sweep (jitter); its points were sorted")
        points, averaged, repeats = average_repeats(axis[branch.rows], stack[:, branch.rows])
        if repeats:
            notes.add(f"{repeats} repeated values of the {KINDS[kind]} were averaged")
        said = direction or str(values.get("direction", meta.values.get("direction", "")))
        sweeps.append(
            Sweep(
                kind=kind,
                axis=points,
                current=averaged[0] if current is not None else None,
                lockin=averaged[-1] if lockin is not None else None,
                lockin_unit=lockin.unit if lockin is not None else "",
                direction=_direction(kind, said, branch.sign, len(kept), recipe, notes, turned),
                repeat=_first_number(repeat, values.get("repeat"), meta.values.get("repeat")),
                label=label,
                values={
                    **_duration(times, branch),
                    **meta.values,
                    **{k: v for k, v in values.items() if v == v and v != ""},
                },
            )
        )
    return sweeps


def _first_number(*values: Any) -> float:
    return next((float(v) for v in values if v is not None and v == v and v != ""), np.nan)


def _direction(kind: str, said: str, sign: int, branches: int, recipe: Recipe, notes: Notes, turned: int) -> str:
    """The model's word for a direction: what the file says, else the order of the points where that tells."""
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
        return (
            up if sign > 0 else down
        )  # only the order of recording puts a falling axis into a file; a rising one may have been sorted
    return word


def _check_size(
    kind: str, axis: np.ndarray, current: np.ndarray | None, axis_role: Role, current_role: Role | None, where: str
) -> None:
    largest = _largest(axis)
    if largest > LARGEST[kind]:
        raise UnreadableFile(
            f"{where}, column {axis_role.number} '{axis_role.label}': reaches {largest:g} "
            f"{AXIS_UNITS[kind]}, which no {KINDS[kind]} "
            f"of a tunnelling junction does. Check the unit (capitals count: mV, not MV)."
        )
    if current is not None and current_role is not None:
        most = _largest(current)
        if most > LARGEST_CURRENT:
            raise UnreadableFile(
                f"{where}, column {current_role.number} '{current_role.label}': reaches {most:g} A, which "
                f"no tunnelling current "
                "does. Check the unit."
            )


# ---- stacks of sweeps in arrays


def _stacks_of(block: Block, name: str, recipe: Recipe, notes: Notes) -> list[SweepSet]:
    """The sets of a block whose signals are (m, n): m sweeps on one axis, without a loop over sweeps."""
    where = f"{name}, {block.place}" if block.place else name
    roles = roles_of(block, recipe, name)
    kind = kind_of(roles, recipe, where)
    meta = read_metadata(block.header, kind, block.decimal, recipe)
    meta.values.update(_from_recipe(recipe, name, kind, block.decimal, meta))
    for note in meta.notes:
        notes.add(note)
    signs = _signs(kind, meta, recipe, notes)
    unused = [r.label for r in roles if not r.read_as]
    if unused:
        notes.add(f"not used: {', '.join(shown(u) for u in unused[:12])}" + (", ..." if len(unused) > 12 else ""))
    made: list[SweepSet] = []
    channels = _channels(roles, KINDS[kind])
    clock = _clock(roles, channels)
    times = _numbers(clock, slice(None), notes) if clock is not None else None
    for axis_role, current, lockin, direction, repeat in channels:
        signals = [np.atleast_2d(_numbers(r, slice(None), notes)) for r in (current, lockin) if r is not None]
        if current is not None and signs["current"] < 0:
            signals[0] = 0.0 - signals[0]
        count = len(signals[0])
        if len({s.shape for s in signals}) > 1:
            raise UnreadableFile(f"{where}: current {signals[0].shape} and lock-in {signals[1].shape} differ in shape.")
        axis = _numbers(axis_role, slice(None), notes) * signs[axis_role.read_as] + 0.0
        if axis.ndim != 1 or not np.isfinite(axis).all() or np.ptp(axis) == 0:
            raise UnreadableFile(
                f"{where}: the axis {shown(axis_role.label)} of shape {axis.shape} is not one row of "
                f"changing numbers for all "
                "sweeps. Save sweeps with different axes as separate arrays or files."
            )
        _check_size(kind, axis, signals[0] if current is not None else None, axis_role, current, where)
        turned = signs[axis_role.read_as] * (1 if axis_role.factor > 0 else -1)
        branches = [b for b in _branches(axis, (), kind, where, axis_role) if b.rows.size > 1]
        if len(branches) > 1:
            notes.add(f"the {KINDS[kind]} turns or starts again: split into {len(branches)} sweeps there")
        for number, branch in enumerate(branches, 1):
            values = axis[branch.rows]
            whole = branch.rows.size == axis.size and branch.steady
            parts = [s[:, :: branch.sign] if whole else s[:, branch.rows] for s in signals]
            if (np.diff(values) == 0).any():
                points = np.concatenate(parts)
                values, points, repeats = average_repeats(values, points)
                notes.add(f"{repeats} repeated values of the {KINDS[kind]} were averaged")
                parts = [points[i * count : (i + 1) * count] for i in range(len(parts))]
            said = direction or str(meta.values.get("direction", ""))
            word = _direction(kind, said, branch.sign, len(branches), recipe, notes, turned)
            label = "_".join(
                p
                for p in (
                    word if len(branches) > 1 or len(channels) > 1 else "",
                    str(repeat or "") if len(channels) > 1 else "",
                )
                if p
            )
            columns = {**_duration(times, branch), **_stack_columns(roles, meta, count, name, label, word)}
            if len(branches) > 2:
                columns["repeat"] = np.full(count, float((number + 1) // 2))
                columns["sweep"] = [f"{n}_{number}" for n in columns["sweep"]]
            made.append(
                SweepSet(
                    kind,
                    values,
                    parts[0] if current is not None else np.full((count, values.size), np.nan),
                    pd.DataFrame(columns, index=range(count)),
                    lockin=parts[-1] if lockin is not None else None,
                    lockin_unit=lockin.unit if lockin is not None else "",
                )
            )
    return made


def _stack_columns(
    roles: list[Role], meta: Metadata, count: int, name: str, label: str, direction: str
) -> dict[str, Any]:
    """The table of m sweeps: from arrays with one value a sweep, else from the header."""
    columns: dict[str, Any] = dict(meta.values)
    columns["direction"] = direction
    for role in roles:
        if role.read_as and role.read_as not in ("bias", "height", "current", "lockin", "time"):
            values = role.column.values
            if values.ndim == 1 and values.size == count:
                columns[role.read_as] = (
                    scaled(values, role.factor) if values.dtype == float else pd.Series(values, dtype=object)
                )
    stem = safe_name(PurePath(name).stem)
    given = columns.get("sweep")
    if given is not None:
        texts = [f"{v:.9g}" if isinstance(v, float) else str(v) for v in given]
        names = [safe_name("_".join(p for p in (stem, t, label) if p)) for t in texts]
    else:
        width = len(str(count))
        base = safe_name("_".join(p for p in (stem, label) if p))
        names = [f"{base}_{i:0{width}d}" for i in range(1, count + 1)] if count > 1 else [base]
    if len(set(names)) < count:
        names = [f"{n}-{i}" for i, n in enumerate(names, 1)]
    return {**columns, "sweep": names, "source": name}
