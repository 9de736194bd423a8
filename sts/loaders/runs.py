"""From one axis and its signals to the sweeps recorded over it: runs told apart, ascending, in SI units."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from sts.loaders.branches import SHORTEST, Branch, average_repeats, split_branches
from sts.loaders.channels import Channel, Group
from sts.loaders.columns import Role
from sts.loaders.conventions import Source, direction_of
from sts.loaders.loaded import Notes, UnreadableFile, shown
from sts.loaders.magnitudes import implausible
from sts.loaders.values import scaled
from sts.sweeps import AXIS_UNITS, KINDS

OVERLOAD = 9.9e37  # IEEE 488.2 / SCPI-99: 9.9E37 stands for infinity, 9.91E37 for "not a number"


@dataclass(eq=False)
class Run:
    """Sweeps that ran over one axis together: one, or the m of a stack."""

    kind: str
    axis: np.ndarray  # (n,) ascending [V or m]
    current: np.ndarray | None  # (m, n) [A]
    lockin: np.ndarray | None  # (m, n)
    lockin_unit: str
    direction: str
    repeat: float
    signal: Role  # the column of the signal
    label: str  # from a column `sweep` or a group; "" if none
    values: dict[str, Any] = field(default_factory=dict)
    stacked: bool = False
    told: bool = False  # whether the file says in words that its number is that of a repeat

    @property
    def count(self) -> int:
        """How many sweeps, m."""
        signal = self.current if self.current is not None else self.lockin
        return 0 if signal is None else len(signal)


def runs_of(channel: Channel, group: Group, source: Source) -> list[Run]:
    """The sweeps of one axis and its signals.

    Parameters
    ----------
    channel : Channel
    group : Group
        The rows to take.
    source : Source
        What the sweeps of the block have in common.

    Raises
    ------
    UnreadableFile
        If the axis does not make sweeps.
    """
    kind, notes = source.kind, source.notes
    axis, signals, times, breaks = _samples(channel, group, source)
    _check_size(axis, signals, channel, source)
    branches = _branches(axis, breaks, channel.axis, source)
    if len(branches) > 1:
        notes.add(f"the {KINDS[kind]} turns or starts again: split into {len(branches)} sweeps there")
    turned = source.signs.of(channel.axis.read_as) * (1 if channel.axis.factor > 0 else -1)
    said = channel.direction or str(group.values.get("direction", source.meta.values.get("direction", "")))
    signal = channel.current or channel.lockin or channel.axis
    known = {key: value for key, value in group.values.items() if value == value and value != ""}
    runs = []
    for branch in branches:
        if branch.shuffled:
            notes.add(f"the values of the {KINDS[kind]} stand in no order; they were sorted")
        elif not branch.steady:
            notes.add(f"the {KINDS[kind]} is not steady within a sweep (jitter); its points were sorted")
        points, parts, repeats = _averaged(axis, signals, branch)
        if repeats:
            notes.add(f"{repeats} repeated values of the {KINDS[kind]} were averaged")
        runs.append(
            Run(
                kind=kind,
                axis=points,
                current=parts[0] if channel.current else None,
                lockin=parts[-1] if channel.lockin else None,
                lockin_unit=channel.lockin.unit if channel.lockin else "",
                direction=direction_of(source, said, sign=branch.sign, turned=turned, branches=len(branches)),
                repeat=_first_number(channel.repeat, group.values.get("repeat"), source.meta.values.get("repeat")),
                signal=signal,
                label=group.label,
                values=_duration(times, branch) | source.meta.values | known,
                stacked=source.stacked,
                told=signal.said.told or len(branches) > 1,
            )
        )
    return runs


def _samples(
    channel: Channel, group: Group, source: Source
) -> tuple[np.ndarray, list[np.ndarray], np.ndarray | None, tuple[int, ...]]:
    """The axis (n,), the signals (m, n) over it, the times (n,) and the breaks, rows without an axis left out."""
    notes, signs, rows = source.notes, source.signs, group.rows
    with np.errstate(invalid="ignore"):  # a damaged number may be one that signals
        axis = numbers(channel.axis, rows, notes) * signs.of(channel.axis.read_as) + 0.0  # no -0
        signals = [
            np.atleast_2d(numbers(role, rows, notes) * (signs.current if role is channel.current else 1) + 0.0)
            for role in (channel.current, channel.lockin)
            if role is not None
        ]
    times = numbers(source.clock, rows, notes) if source.clock is not None else None
    breaks = source.breaks if isinstance(rows, slice) else ()
    if source.stacked:
        _check_stack(axis, signals, channel, source.place)
        return axis, signals, times, breaks
    good = np.isfinite(axis)
    if not good.all():
        if any(np.isfinite(s[:, ~good]).any() for s in signals):
            label = shown(channel.axis.label)
            notes.add(f"{label}: {int((~good).sum())} rows without a number on the axis are left out")
        axis, signals, breaks = axis[good], [s[:, good] for s in signals], ()
        times = times[good] if times is not None else None
    if axis.size and not any(np.isfinite(s[:, -1]).any() for s in signals):  # a shorter column beside a longer one
        filled = np.flatnonzero(np.any([np.isfinite(s).any(axis=0) for s in signals], axis=0))
        end = int(filled[-1]) + 1 if filled.size else axis.size
        if axis.size - end > 1 or (axis.size > end and channel.axis.said.direction):
            axis, signals = axis[:end], [s[:, :end] for s in signals]
    return axis, signals, times, breaks


def _check_stack(axis: np.ndarray, signals: list[np.ndarray], channel: Channel, place: str) -> None:
    if len({s.shape for s in signals}) > 1:
        raise UnreadableFile(f"current {signals[0].shape} and lock-in {signals[1].shape} differ in shape.", place=place)
    if axis.ndim != 1 or not np.isfinite(axis).all() or np.ptp(axis) == 0:
        raise UnreadableFile(
            f"the axis {shown(channel.axis.label)} of shape {axis.shape} is not one row of changing numbers for all "
            "sweeps. Save sweeps with different axes as separate arrays or files.",
            place=place,
        )


def _branches(axis: np.ndarray, breaks: tuple[int, ...], role: Role, source: Source) -> list[Branch]:
    """The runs of an axis; those of a point or two between longer ones are left out."""
    kind, place = source.kind, _column_place(role, source.place)
    if axis.size < 2 or (axis[0] == axis[-1] and np.ptp(axis) == 0):
        found = f"{axis.size} points" if axis.size < 2 else f"the constant value {axis[0]:g} {AXIS_UNITS[kind]}"
        raise UnreadableFile(
            f"the axis has {found}; expected a sweep of {KINDS[kind]}. Check which column is the axis (preview the "
            "file), or name the columns in a recipe.",
            place=place,
        )
    try:
        branches = split_branches(axis, breaks)
    except ValueError as error:
        raise UnreadableFile(
            f"the {KINDS[kind]} {error}; expected sweeps that run one way, or there and back. Check which column is "
            "the axis; if sweeps are mixed, a column 'sweep' tells them apart.",
            place=place,
        ) from None
    if source.stacked:
        return [b for b in branches if b.size > 1]
    longest = max((b.size for b in branches), default=0)
    kept = [b for b in branches if b.size >= min(SHORTEST, longest)]
    if len(kept) < len(branches):
        source.notes.add(
            f"{len(branches) - len(kept)} runs of fewer than {SHORTEST} points between longer ones are left out"
        )
    return kept


def _averaged(axis: np.ndarray, signals: list[np.ndarray], branch: Branch) -> tuple[np.ndarray, list[np.ndarray], int]:
    """Axis (n,) and signals (m, n) of one run, ascending, repeated values of the axis averaged."""
    values, parts = axis[branch.place], [s[:, branch.place] for s in signals]
    if branch.strict or (np.diff(values) > 0).all():
        return values, parts, 0
    count = len(parts[0])
    points, means, repeats = average_repeats(values, np.concatenate(parts))
    return points, [means[i * count : (i + 1) * count] for i in range(len(parts))], repeats


def numbers(role: Role, rows: np.ndarray | slice, notes: Notes) -> np.ndarray:
    """The values of a column in SI units; overload is missing.

    Parameters
    ----------
    role : Role
    rows : ndarray of int, or slice
        Which to take.
    notes : Notes
        Takes what is missing.
    """
    values = np.asarray(role.column.values[..., rows], float)
    if not largest(values) < OVERLOAD:
        wild = np.abs(values) >= OVERLOAD
        notes.add(f"{shown(role.label)}: {int(wild.sum())} samples marked as overload or infinite are taken as missing")
        values = np.where(wild, np.nan, values)
    if role.said.logarithm:
        base = 10.0 if role.said.logarithm == "log10" else np.e
        notes.add(
            f"{shown(role.label)} is a logarithm: the current is {base:.4g} to that power; samples at or below zero are lost"
        )
        values = base**values
    return np.asarray(scaled(values, role.factor), float)


def largest(values: np.ndarray) -> float:
    """The largest magnitude, NaN passed over, without temporaries.

    Parameters
    ----------
    values : ndarray
        Any shape.
    """
    return float(max(np.fmax.reduce(values, axis=None, initial=0.0), -np.fmin.reduce(values, axis=None, initial=0.0)))


def span(values: np.ndarray) -> float:
    """Largest less smallest of the finite values.

    Parameters
    ----------
    values : ndarray
        Any shape.
    """
    finite = values[np.isfinite(values)]
    return float(np.ptp(finite)) if finite.size else 0.0


def _duration(times: np.ndarray | None, branch: Branch) -> dict[str, float]:
    """How long a run took, last time less first; nothing where the times do not run on."""
    if times is None or times.ndim != 1:
        return {}
    own = times[branch.first : branch.last + 1]
    return {"duration_s": float(own[-1] - own[0])} if (np.diff(own) >= 0).all() and own[-1] > own[0] else {}


def _first_number(*values: Any) -> float:
    return next((float(v) for v in values if v is not None and v == v and v != ""), np.nan)


def _column_place(role: Role, place: str) -> str:
    return ", ".join(part for part in (place, f"column {role.number} '{role.label}'") if part)


def _check_size(axis: np.ndarray, signals: list[np.ndarray], channel: Channel, source: Source) -> None:
    """Refuse axes and currents of a size that no junction has, unless the recipe says that they are right."""
    if source.recipe.any_size:
        return
    checked = [(channel.axis, axis), *([(channel.current, signals[0])] if channel.current else [])]
    for role, values in checked:
        wrong = implausible(role.read_as, values) if values.size else ""
        if wrong:
            raise UnreadableFile(
                f"{wrong}. Check the unit (capitals count: mV, not MV); if it is right, say any_size = true in a recipe.",
                place=_column_place(role, source.place),
            )
