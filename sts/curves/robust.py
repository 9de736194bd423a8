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
