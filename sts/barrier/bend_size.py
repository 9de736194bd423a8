"""How large a bend is: the exponential that is left when a curve's bend of known shape is fitted beside it."""

from __future__ import annotations

import numpy as np
from scipy import optimize

from sts.barrier.blocks import Array


def fitted_bend(relative: Array, weight: Array, residual: Array, u: Array, shapes: Array) -> tuple[int, float, float]:
    """Which of several shapes a bend has, its size, and the decay beside it.

    Parameters
    ----------
    relative, weight, residual : ndarray, shape (n,)
        Of a curve that was fitted by A exp(-k u) + offset: its exponential, 1, and what is left, each in standard deviations.
    u : ndarray, shape (n,)
        Heights.
    shapes : ndarray, shape (k, n)
        Changes of ln I per unit of the bend.

    Returns
    -------
    (int, float, float)
        The row of `shapes` that leaves least, the size, and how much larger than k the decay is [1/u]; NaN where no fit is found.

    Notes
    -----
    Least squares of A' exp(-(k + d) u + size shape) + offset'. To first order in the bend that is the projection on the columns of
    the fit; a slope that is three quarters of the rest over half of the range changes the current by half, and the first order is
    then a tenth short in the barrier.
    """

    def miss(p: Array, shape: Array) -> Array:
        change = np.exp(np.clip(p[0] - p[1] * u + p[2] * shape, -20, 20)) - 1
        return np.asarray(relative * change + weight * p[3] * least - residual)

    least = float(np.min(relative[weight > 0] / weight[weight > 0], initial=np.inf))  # the unit of the offset
    if not np.isfinite(least):
        return 0, float("nan"), float("nan")
    fits = [optimize.least_squares(miss, np.zeros(4), x_scale="jac", max_nfev=200, args=(shape,)) for shape in shapes]
    best = int(np.argmin([fit.cost if fit.success else np.inf for fit in fits]))
    _, more, size, _ = fits[best].x if fits[best].success else np.full(4, np.nan)
    return best, float(size), float(more)


def slope_of(u: Array, values: Array, weight: Array) -> float:
    """Of a straight line through values, by their weights; 0 for none.

    Parameters
    ----------
    u, values, weight : ndarray, shape (n,)
    """
    square = weight**2
    total = square.sum()
    if total <= 0:
        return 0.0
    away = u - square @ u / total
    spread = float(square @ away**2)
    return float((square * away) @ values / spread) if spread > 0 else 0.0
