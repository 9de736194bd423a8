"""Sweeps of very many points on blocks of neighbouring ones, before they are smoothed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from sts.quantities import with_prefix
from sts.sweeps import SweepSet

MOST_POINTS = 4096  # of an axis that is smoothed: operators need the square of it


def in_blocks(sweeps: SweepSet, most: int = MOST_POINTS) -> SweepSet:
    """The means of blocks of neighbouring points, as many in each, where a sweep has more points than are smoothed.

    The last block holds fewer where the points do not divide, and is left out if it holds less than half of them. A block
    with a missing sample is missing.

    Parameters
    ----------
    sweeps : SweepSet
        m sweeps of n points.
    most : int
        Points that may be left.

    Notes
    -----
    A straight line keeps its values; the rest is seen through a box of the width of a block b, whose variance is b²/12.
    Smoothing is over four blocks or more, to the full width of which that adds less than 3 %.
    """
    points, size = sweeps.axis.size, _block(sweeps, most)
    if size == 1:
        return sweeps
    starts = np.arange(0, points, size)
    if points - starts[-1] < size / 2:
        points, starts = int(starts[-1]), starts[:-1]
    counts = np.diff(np.append(starts, points))

    def means(values: np.ndarray) -> np.ndarray:
        return np.asarray(np.add.reduceat(values[..., :points], starts, axis=-1) / counts)

    lockin = None if sweeps.lockin is None else means(sweeps.lockin)
    return replace(sweeps, axis=means(sweeps.axis), current=means(sweeps.current), lockin=lockin)


def block_words(sweeps: SweepSet, most: int = MOST_POINTS) -> list[str]:
    """A sentence on the blocks of `in_blocks`, where there are any.

    Parameters
    ----------
    sweeps : SweepSet
    most : int
        As there.
    """
    points, size = sweeps.axis.size, _block(sweeps, most)
    if size == 1:
        return []
    width = with_prefix(size * float(np.median(np.diff(sweeps.axis))) * 1e3, "mV")
    return [f"Of sweeps of {points} points {size} neighbouring ones ({width}) are averaged before they are smoothed."]


def _block(sweeps: SweepSet, most: int) -> int:
    """Points of a block: 1 where no more than `most` are there."""
    return -(-sweeps.axis.size // most)
