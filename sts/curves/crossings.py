"""Where curves cross a level, by straight lines between points, and how wide they are at half their height."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]
Places = NDArray[np.int64]


def crossing(x: Array, rows: Array, level: Array, inner: Places, outer: Places) -> Array:
    """Where each curve crosses its level between a point above it and the neighbour below.

    Parameters
    ----------
    x : numpy.ndarray, shape (n,)
        The axis, in any unit.
    rows : numpy.ndarray, shape (m, n)
        The curves.
    level : numpy.ndarray, shape (m,)
        In the unit of `rows`.
    inner, outer : numpy.ndarray of int, shape (m,)
        Places of the point above and of that below; a place beyond the ends stands for the end.

    Returns
    -------
    numpy.ndarray, shape (m,)
        In the unit of `x`; the inner point where the curve does not fall towards the outer one.
    """
    row, safe = np.arange(len(rows)), np.clip(outer, 0, x.size - 1)
    high, low = rows[row, inner], rows[row, safe]
    share = np.where(high > low, (high - level) / np.where(high > low, high - low, 1.0), 0.0)
    return np.asarray(x[inner] + share * (x[safe] - x[inner]))


def ends_above(above: NDArray[np.bool_], top: Places) -> tuple[Places, Places]:
    """The nearest points beside the tops that are not above: the stretch of a peak, without what lies beyond it.

    Parameters
    ----------
    above : numpy.ndarray of bool, shape (m, n)
        Where each curve is above its level.
    top : numpy.ndarray of int, shape (m,) or ()
        The points within.

    Returns
    -------
    left, right : numpy.ndarray of int, shape (m,)
        -1 and n where a curve stays above to its end.
    """
    points = above.shape[1]
    column, top = np.arange(points), np.reshape(top, (-1, 1))
    left = np.where((column < top) & ~above, column, -1).max(axis=1)
    right = np.where((column > top) & ~above, column, points).min(axis=1)
    return left, right


def full_width(x: ArrayLike, row: ArrayLike) -> float:
    """Full width of one curve at half of its highest value.

    Parameters
    ----------
    x, row : array_like, shape (n,)
        Axis and curve; to the end of the axis where the curve stays above.

    Returns
    -------
    float
        In the unit of `x`.
    """
    x, rows = np.asarray(x, float), np.asarray(row, float)[None]
    top = np.argmax(rows, axis=1)
    half = rows[0, top] / 2
    left, right = ends_above(rows >= half[:, None], top)
    return float((crossing(x, rows, half, right - 1, right) - crossing(x, rows, half, left + 1, left))[0])
