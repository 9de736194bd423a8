"""Local maxima that stand out of their surroundings, and where they are half as high.

As of `scipy.signal.find_peaks` and `peak_widths`, which its test compares: to import that package takes as long as to judge a
session.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def summits(y: Any, least: Any) -> tuple[np.ndarray, Array, Array]:
    """Where a curve has local maxima of some prominence, and where it falls to half of that on either side.

    Parameters
    ----------
    y : array_like, shape (n,)
        Finite.
    least : float or array_like, shape (n,)
        Prominence that a maximum must have, unit of `y`: its height above the higher one of the two lowest points between it
        and what is higher, or the end, on either side.

    Returns
    -------
    at : numpy.ndarray of int, shape (k,)
        Of a flat top, its middle; the ends are none.
    left, right : numpy.ndarray, shape (k,)
        Places of half the prominence, by straight lines between samples [samples].
    """
    y = np.asarray(y, float)
    least = np.broadcast_to(np.asarray(least, float), y.shape)
    change = np.flatnonzero(np.diff(y))
    if change.size < 2:
        return np.empty(0, int), np.empty(0), np.empty(0)
    start, stop = np.append(0, change + 1), np.append(change, y.size - 1)  # of stretches of equal values
    level = y[start]
    top = np.flatnonzero((level[1:-1] > level[:-2]) & (level[1:-1] > level[2:])) + 1
    at, left, right = [], [], []
    for peak in (start[top] + stop[top]) // 2:
        sides = [_down(y[peak::-1]), _down(y[peak:])]
        prominence = y[peak] - max(float(side[-1]) for side in sides)
        if prominence >= least[peak]:
            (before, back), (after, ahead) = (_falls_to(side, y[peak] - 0.5 * prominence) for side in sides)
            at.append(int(peak))
            left.append(peak - before + back)
            right.append(peak + after - ahead)
    return np.array(at, int), np.array(left, float), np.array(right, float)


def _down(side: np.ndarray) -> np.ndarray:
    """The way from a maximum, which comes first, to the lowest point before anything higher."""
    higher = np.flatnonzero(side > side[0])
    way = side[: higher[0]] if higher.size else side
    return way[: int(np.argmin(way)) + 1]


def _falls_to(way: np.ndarray, height: float) -> tuple[int, float]:
    """The first sample down the way that is no higher than this, and how far before it the height was crossed [samples]."""
    i = int(np.argmax(way <= height))
    return i, float((height - way[i]) / (way[i - 1] - way[i]))
