"""Spread that a few wild values do not move."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sts.quantities import MAD_SCALE

Array = NDArray[np.float64]


def median_known(values: Array, axis: int = 0, *, keepdims: bool = False) -> Array:
    """The median of what is known; NaN where nothing is.

    Parameters
    ----------
    values : numpy.ndarray, any shape
        NaN is ignored.
    axis : int
        Along which to look.
    keepdims : bool
        Whether that axis is kept, of length 1.

    Notes
    -----
    What `numpy.nanmedian` gives, without its warning and, since all rows are sorted at once, in a fraction of its time.
    """
    values = np.asarray(values)
    if values.shape[axis] and not np.isnan(values).any():
        return np.asarray(np.median(values, axis=axis, keepdims=keepdims))
    if not values.shape[axis]:
        return np.full(values.sum(axis=axis, keepdims=keepdims).shape, np.nan)
    ordered = np.sort(values, axis=axis)  # NaN stands last
    known = (~np.isnan(ordered)).sum(axis=axis, keepdims=True)
    low, high = (
        np.take_along_axis(ordered, np.maximum(place, 0), axis=axis) for place in ((known - 1) // 2, known // 2)
    )
    with np.errstate(invalid="ignore"):
        middle = (low + high) / 2
    return np.asarray(middle if keepdims else middle.squeeze(axis))


def scaled_mad(values: Array, axis: int = 0) -> Array:
    """Standard deviation from the median absolute deviation.

    Parameters
    ----------
    values : numpy.ndarray, any shape
        NaN is ignored.
    axis : int
        Along which to look.

    Returns
    -------
    numpy.ndarray
        `values` without `axis`, in their unit; NaN where nothing is left.

    Notes
    -----
    1.4826 times the median of the deviations from the median: a standard deviation where the distribution is normal
    (F. R. Hampel, J. Am. Stat. Assoc. 69, 383, 1974; from memory).
    """
    return np.asarray(MAD_SCALE * median_known(np.abs(values - median_known(values, axis, keepdims=True)), axis))


def median_of_others(group: Array, own: Array, inside: NDArray[np.bool_]) -> Array:
    """At each point the median of a group without the value of each row itself, shape (m, n); NaN where no other is known.

    Parameters
    ----------
    group : numpy.ndarray, shape (r, n)
        NaN where a value is not known.
    own : numpy.ndarray, shape (m, n)
    inside : numpy.ndarray of bool, shape (m,)
        Whether each row of `own` is one of the group, so that it is left out.

    Notes
    -----
    Of a sorted column without the value of rank k, the value at place j is that at j, or at j + 1 from k on: one sort serves
    all rows; k is not after j where the own value is not above that at j.
    """
    ordered = np.sort(group, axis=0)  # NaN stands last
    known = (~np.isnan(ordered)).sum(axis=0)
    left_out = inside[:, None] & np.isfinite(own)

    def at(place: NDArray[np.int64]) -> Array:
        return np.asarray(np.take_along_axis(ordered, np.clip(place, 0, len(ordered) - 1)[None], axis=0))

    def of_others(place: NDArray[np.int64]) -> Array:
        value = at(place)
        return np.where(own <= value, at(place + 1), value)

    others = known - 1
    without = (of_others((others - 1) // 2) + of_others(others // 2)) / 2
    whole = (at((known - 1) // 2) + at(known // 2)) / 2
    return np.where(left_out, np.where(others > 0, without, np.nan), np.where(known > 0, whole, np.nan))
