"""Spread that a few wild values do not move."""

from __future__ import annotations

import warnings

import numpy as np
from numpy.typing import NDArray

from sts.quantities import MAD_SCALE

Array = NDArray[np.float64]


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
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)
        middle = np.nanmedian(values, axis=axis, keepdims=True)
        result: Array = MAD_SCALE * np.nanmedian(np.abs(values - middle), axis=axis)
    return result


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
    all rows.
    """
    found = np.full(own.shape, np.nan)
    for point in range(own.shape[1]):
        ordered = np.sort(group[:, point])
        ordered = ordered[: np.searchsorted(ordered, np.nan)]  # NaN stands last
        left_out = inside & np.isfinite(own[:, point])
        rank = np.where(left_out, np.searchsorted(ordered, own[:, point]), ordered.size)
        others = ordered.size - left_out
        low, high = (others - 1) // 2, others // 2
        some = others > 0
        low, high = (place[some] + (place[some] >= rank[some]) for place in (low, high))
        found[some, point] = (ordered[low] + ordered[high]) / 2
    return found
