"""Many spectra at once: smoothed, differentiated and normalised in blocks that stay near the processor."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from sts.curves.smoothing import Smoother
from sts.spectra.normalised import denominator, is_zero

Array = NDArray[np.float64]

_BLOCK_BYTES = 1 << 22


def spectra_of_grid(
    current: Any, smoother: Smoother, *, kind: str = "plain", broadening_V: float = np.nan, floor_S: float = np.nan
) -> tuple[Array, Array]:
    """dI/dV and (dI/dV)/(I/V) of every spectrum of a grid.

    Parameters
    ----------
    current : array_like, shape (..., n)
        Currents, offsets removed [A], for example (rows, columns, n).
    smoother : Smoother
        On the bias axis of the grid.
    kind, broadening_V, floor_S
        The denominator, as in `normalise`.

    Returns
    -------
    (ndarray, ndarray)
        dI/dV [S] and the normalised conductance, each of the shape of `current`; NaN where the denominator is zero.

    Raises
    ------
    ValueError
        If spectra and smoother are not on one axis.

    Notes
    -----
    The same steps as for one spectrum, without its error band: a pixel is one sweep. Work arrays are made once, since
    fresh ones for every block would cost more than the arithmetic.
    """
    rows = np.ascontiguousarray(current, float)
    shape, points = rows.shape, rows.shape[-1]
    if points != smoother.axis.size:
        raise ValueError(f"The spectra have {points} points, the smoother {smoother.axis.size}; both need one axis.")
    rows = rows.reshape(-1, points)
    didv, normalised = np.empty_like(rows), np.empty_like(rows)
    bias = smoother.axis
    zero = is_zero(bias)
    inverse = 1 / np.where(zero, np.inf, bias)
    height = max(1, _BLOCK_BYTES // (8 * points))
    work = np.empty((min(height, len(rows)), points))
    for start in range(0, len(rows), height):
        block = slice(start, start + height)
        smooth = smoother.multiply(rows[block], smoother.smooth, out=work[: len(rows[block])])
        slope = smoother.multiply(rows[block], smoother.derivative, out=didv[block])
        if kind == "plain":
            below = np.multiply(smooth, inverse, out=smooth)
            below[:, zero] = slope[:, zero]
        else:
            below = denominator(bias, smooth, slope, kind=kind, broadening_V=broadening_V, floor_S=floor_S)
        with np.errstate(divide="ignore", invalid="ignore"):
            np.divide(slope, below, out=normalised[block])
        if not below.all():
            normalised[block][below == 0] = np.nan
    return didv.reshape(shape), normalised.reshape(shape)
