"""Which columns of a block belong together: a signal to its axis, rows to their sweep."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from sts.loaders.block import Block
from sts.loaders.columns import Role
from sts.loaders.loaded import Notes, shown
from sts.loaders.values import scaled

SAMPLES = ("bias", "height", "current", "lockin", "time")  # what has a number for each point; the rest is about sweeps


@dataclass(frozen=True, eq=False)
class Channel:
    """An axis with the signals recorded over it."""

    axis: Role
    current: Role | None
    lockin: Role | None
    direction: str
    repeat: int | None


@dataclass(frozen=True, eq=False)
class Group:
    """The rows of one sweep of a long table, and what its columns say of it."""

    label: str = ""
    rows: np.ndarray | slice = field(default_factory=lambda: slice(None))
    values: dict[str, Any] = field(default_factory=dict)


def groups_of(roles: list[Role], block: Block, notes: Notes) -> list[Group]:
    """The sweeps of a long table; one for all rows if it has no columns about sweeps.

    Parameters
    ----------
    roles : list of Role
        Of the block.
    block : Block
    notes : Notes
        Takes the columns that say nothing of a sweep.
    """
    about = [r for r in roles if r.read_as and r.read_as not in SAMPLES]
    for role in [r for r in about if _changes_by_row(r)]:
        notes.add(f"not used: {shown(role.label)}, which changes from row to row and so says nothing of a sweep")
        about.remove(role)
    if not about or any(c.values.ndim > 1 for c in block.columns):
        return [Group()]
    frame = pd.DataFrame({f"{i}": r.column.values for i, r in enumerate(about)})
    named = [str(i) for i, r in enumerate(about) if r.read_as in ("sweep", "direction", "repeat")]
    has_sweep = any(r.read_as == "sweep" for r in about)
    codes = frame.groupby(named if has_sweep else list(frame.columns), sort=False, dropna=False).ngroup().to_numpy()
    order = np.argsort(codes, kind="stable")
    pieces = np.split(order, np.flatnonzero(np.diff(codes[order])) + 1)
    return [_group(about, piece, alone=len(pieces) == 1, has_sweep=has_sweep) for piece in pieces]


def _changes_by_row(role: Role) -> bool:
    """Whether a column of numbers has a new value in most rows: no sweep has only one or two points."""
    values = role.column.values
    return values.dtype == float and role.read_as != "sweep" and np.unique(values).size > max(2, values.size / 2)


def _group(about: list[Role], piece: np.ndarray, *, alone: bool, has_sweep: bool) -> Group:
    values: dict[str, Any] = {}
    label = ""
    for role in about:
        cells = role.column.values[piece]
        first = cells[0]
        if cells.dtype == float and not alone and not (cells == first).all() and role.read_as != "sweep":
            first = float(np.nanmean(cells)) if np.isfinite(cells).any() else np.nan
        value = float(scaled(np.float64(first), role.factor)) if cells.dtype == float else str(first)
        if role.read_as == "sweep":
            label = f"{value:.9g}" if isinstance(value, float) else value
            values["sweep"] = label
        else:
            values[role.read_as] = value
    if not has_sweep and not alone:
        kept = [v for k, v in values.items() if k not in ("direction", "repeat")]
        label = "_".join(f"{v:.6g}" if isinstance(v, float) else v for v in kept)
    return Group(label, piece, values)


def channels_of(roles: list[Role], axis_name: str) -> list[Channel]:
    """Which current and lock-in column belong to which axis column, one entry per sweep.

    Parameters
    ----------
    roles : list of Role
        Of one block.
    axis_name : str
        What was swept: ``"bias"`` or ``"height"``.
    """
    axes = {r.number: r for r in roles if r.read_as == axis_name}
    found: dict[tuple[int, str, int | None, int], dict[str, Role]] = {}
    for role in roles:
        if role.read_as not in ("current", "lockin"):
            continue
        direction, repeat = role.said.direction, role.said.repeat
        same = [a for a in axes.values() if direction and a.said.direction == direction] or list(axes.values())
        left = [a for a in same if a.number < role.number and a.said.repeat in (None, repeat)]
        axis, copy = (left[-1] if left else same[0]).number, 0
        while role.read_as in found.get((axis, direction, repeat, copy), {}):
            copy += 1
        found.setdefault((axis, direction, repeat, copy), {})[role.read_as] = role
    copies = any(key[3] for key in found)
    lone = [key for key, pair in found.items() if set(pair) == {"lockin"}]
    paired = [key for key, pair in found.items() if "current" in pair]
    if len(lone) == 1 and len(paired) == 1 and lone[0][0] == paired[0][0] and (not lone[0][1] or not paired[0][1]):
        found[paired[0]].setdefault("lockin", found.pop(lone[0])["lockin"])  # one of each, one without a direction
    channels = []
    for (number, direction, repeat, copy), pair in found.items():
        axis_role = axes[number]
        counted = copy + 1 if repeat is None and copies else repeat
        said = direction or axis_role.said.direction
        channels.append(Channel(axis_role, pair.get("current"), pair.get("lockin"), said, counted))
    return channels


def clock_of(roles: list[Role], channels: list[Channel]) -> Role | None:
    """The column of times, if there is one, and one sweep only that it can be of.

    Parameters
    ----------
    roles : list of Role
    channels : list of Channel
        Of the same block.
    """
    clocks = [role for role in roles if role.read_as == "time"]
    return clocks[0] if len(clocks) == len(channels) == 1 else None
