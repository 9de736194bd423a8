"""Split an axis that turns into branches that run one way, and average repeated axis values."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

JITTER = 0.05  # a backward move below this share of the span is noise of a measured axis, not a turn
SHUFFLED = 2  # steps from turn to turn, at most, where the values stand in no order
SHORTEST = 3  # points; shorter branches beside longer ones are left out, with a note


@dataclass(frozen=True, eq=False)
class Branch:
    """Samples of one run, one after the other in the file."""

    first: int  # row in the file
    last: int
    sign: int  # +1 if the axis ascends in the order of the file, -1 if it descends
    steady: bool = True  # False if the samples had to be sorted
    shuffled: bool = False  # whether they stood in no order at all
    strict: bool = False  # known to have no value of the axis twice
    order: np.ndarray | None = None  # (n,) rows in the order of the ascending axis, where they had to be sorted

    @property
    def size(self) -> int:
        """How many samples."""
        return self.last - self.first + 1

    @property
    def place(self) -> slice | np.ndarray:
        """Where the samples stand, in the order of the ascending axis; a slice, which copies nothing, where they run one way."""
        if self.order is not None:
            return self.order
        start, end = (self.first, self.last + 1) if self.sign > 0 else (self.last, self.first - 1)
        return slice(start, end if end >= 0 else None, self.sign)


def split_branches(axis: np.ndarray, breaks: tuple[int, ...] = ()) -> list[Branch]:
    """The runs of an axis (n,) of finite numbers, cut at its turning points and where it jumps back to its start.

    A turning value that is recorded once belongs to both runs; recorded twice, each run has one.

    Parameters
    ----------
    axis : ndarray, shape (n,)
    breaks : tuple of int
        Rows before which an empty line stands: a run ends there if the axis does not go on the same way.

    Raises
    ------
    ValueError
        If it turns so often that no runs can be told apart; the text says how often.
    """
    cuts = [b for b in breaks if 1 < b < axis.size and (axis[b] - axis[b - 1]) * (axis[b - 1] - axis[b - 2]) <= 0]
    starts, ends = [0, *cuts], [*cuts, axis.size]
    return [
        _shifted(branch, start) if start else branch
        for start, end in zip(starts, ends, strict=True)
        for branch in _split(axis[start:end])
    ]


def _shifted(branch: Branch, by: int) -> Branch:
    order = None if branch.order is None else branch.order + by
    return replace(branch, first=branch.first + by, last=branch.last + by, order=order)


def _split(axis: np.ndarray) -> list[Branch]:
    step = _directions(axis)
    if (step > 0).all():
        return [Branch(0, axis.size - 1, 1, strict=True)] if axis.size > 1 else []
    if (step < 0).all():
        return [Branch(0, axis.size - 1, -1, strict=True)]
    if not step.any():
        return []
    span = float(np.ptp(axis))
    turns = _turns_of(step)
    if len(turns) > 2 and np.median(np.diff([0, *turns, axis.size - 1])) < 4 * step.size / np.count_nonzero(step):
        turns = _deep_turns(axis, JITTER * span)
        moves = np.append(0, np.cumsum(step != 0))  # a value measured twice is no step
        lengths = np.diff(moves[[0, *turns, -1]])
        if len(turns) > 1 and np.median(lengths) <= SHUFFLED and np.unique(axis).size >= 2 * SHORTEST:
            order = np.argsort(axis, kind="stable")
            return [Branch(0, axis.size - 1, 1, steady=False, shuffled=True, order=order)]
    edges = [0, *turns, axis.size - 1]
    pieces: list[tuple[int, int]] = []  # first and last row of each run
    for first, last in pairwise(edges):
        flyback = (
            last - first == 1 and abs(axis[last] - axis[first]) > 0.5 * span and first > 0 and last < axis.size - 1
        )
        if not flyback:  # one step back to the start is no run of its own
            pieces.append((first, last))
    if sum(last - first for first, last in pieces) < 0.6 * (axis.size - 1):
        raise ValueError(f"turns {len(turns)} times within {axis.size} points")
    found = [_branch(axis, *_without_plateau(axis, piece, pieces)) for piece in pieces]
    return [branch for branch in found if branch is not None]


def _without_plateau(axis: np.ndarray, piece: tuple[int, int], pieces: list[tuple[int, int]]) -> tuple[int, int]:
    """A turning value recorded twice: the first goes to the run before, the second to the run after."""
    first, last = piece
    shared = any(other[1] == first for other in pieces if other is not piece)
    if shared and last > first and axis[first + 1] == axis[first]:
        first += 1
    return first, last


def _directions(axis: np.ndarray) -> np.ndarray:
    """Of each step +1, 0 or -1, in a byte: an axis of millions has a dozen arrays beside it as it is."""
    up, down = axis[1:] > axis[:-1], axis[1:] < axis[:-1]
    return np.asarray(up.view(np.int8) - down.view(np.int8))


def _turns_of(step: np.ndarray) -> list[int]:
    """Rows where the axis turns; of a plateau, its first row."""
    still = np.flatnonzero(step == 0)
    moving = step[step != 0]
    flips = np.flatnonzero(
        moving[1:] != moving[:-1]
    )  # of the steps that move; those before it that do not are counted in
    flips += np.searchsorted(still - np.arange(still.size), flips, side="right")
    return [int(row) + 1 for row in flips]


def _deep_turns(axis: np.ndarray, depth: float) -> list[int]:
    """Rows where the axis turns by more than `depth`; of a plateau, its first row."""
    turns: list[int] = []
    best, sign = 0, 0
    for i in range(1, axis.size):
        move = axis[i] - axis[best]
        if sign == 0:
            sign = int(np.sign(move)) if abs(move) > depth else 0
            best = i if sign else best
        elif move * sign > 0:
            best = i
        elif -move * sign > depth:
            turns.append(best)
            best, sign = i, -sign
    return turns


def _branch(axis: np.ndarray, first: int, last: int) -> Branch | None:
    if last <= first or axis[first] == axis[last]:
        return None
    sign = 1 if axis[last] > axis[first] else -1
    values = axis[first : last + 1][::sign]
    if (values[1:] >= values[:-1]).all():
        return Branch(first, last, sign)
    order = np.arange(first, last + 1)[::sign][np.argsort(values, kind="stable")]
    return Branch(first, last, sign, steady=False, order=order)


def average_repeats(axis: np.ndarray, signals: np.ndarray) -> tuple[np.ndarray, np.ndarray, int]:
    """Average signals (k, n) over equal values of a sorted axis (n,); returns axis, signals and the number of repeats.

    NaN samples are passed over; a value with only NaN stays NaN.

    Parameters
    ----------
    axis : ndarray, shape (n,)
        Ascending, with repeats.
    signals : ndarray, shape (k, n)
    """
    if (np.diff(axis) > 0).all():
        return axis, signals, 0
    unique, place = np.unique(axis, return_inverse=True)
    good = np.isfinite(signals)
    total = np.zeros((len(signals), unique.size))
    count = np.zeros_like(total)
    for k in range(len(signals)):
        total[k] = np.bincount(place, np.where(good[k], signals[k], 0.0), unique.size)
        count[k] = np.bincount(place, good[k], unique.size)
    with np.errstate(invalid="ignore"):
        return unique, np.where(count > 0, total / np.maximum(count, 1), np.nan), axis.size - unique.size
