"""Smoothing and differentiation as linear operators, on equal and unequal steps.

Every method is a pair of matrices: S y is the smoothed current, D y its derivative. Hence the covariance of dI/dV is
D Σ Dᵀ for any covariance Σ of the current, and the derivative is the true dI/dV seen through a kernel of known
width. The strength of every method is that width: the full width at half height of the kernel of dI/dV [V].
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import linalg

from sts.curves.crossings import crossing, ends_above
from sts.quantities import with_prefix

Array = NDArray[np.float64]
Band = tuple[NDArray[np.int64], NDArray[np.int64]]

METHODS = ("local polynomial", "gaussian", "penalised")
SIGMA_TO_WIDTH = 2 * np.sqrt(2 * np.log(2))  # full width at half height of a Gaussian, in standard deviations
# Window over width of the kernel, in the limit of many points: the kernel of orders 1 and 2 is the parabola
# 1 - u^2, that of orders 3 and 4 is (1 - u^2)(1 - 7 u^2/3), u from -1 to 1 over the window.
_WINDOW = {1: np.sqrt(2.0), 2: np.sqrt(2.0), 3: 2.4232, 4: 2.4232}
_PENALTY_WIDTH = 3.3123  # full width at half height of the kernel with transfer function 1/(1 + k^6)
_BLOCK = 64  # columns of one block of a banded product
_GAUSS_REACH = 4.0  # the Gaussian weight is cut at this many standard deviations


class Asked(NamedTuple):
    """What `make_smoother` was asked for: the operators can be made again, and need not be kept."""

    width_V: float
    method: str
    order: int


@dataclass(frozen=True, eq=False)
class Smoother:
    """Operators of one smoothing on one axis of n points."""

    method: str
    axis: Array  # (n,) [V]
    smooth: Array  # S, (n, n)
    derivative: Array  # D, (n, n) [1/V]
    band: Band  # first and last column of each row of both that may differ from zero, (n,) each
    form: str  # what was asked for, in words
    asked: Asked

    def apply(self, current: Any) -> Array:
        """Smoothed current, shape (..., n), unit of `current`.

        Parameters
        ----------
        current : array_like, shape (..., n)
            Current [A], or rows of anything on the axis.
        """
        return self._multiply(current, self.smooth)

    def differentiate(self, current: Any) -> Array:
        """Derivative with respect to the axis, shape (..., n), unit of `current` per volt.

        Parameters
        ----------
        current : array_like, shape (..., n)
            Current [A], or rows of anything on the axis.
        """
        return self._multiply(current, self.derivative)

    def _multiply(self, values: Any, matrix: Array) -> Array:
        values = np.asarray(values, float)
        rows = values.reshape(-1, values.shape[-1])
        result = np.empty((len(rows), self.axis.size))
        self.multiply(rows, matrix, out=result)
        return result.reshape(*values.shape[:-1], self.axis.size)

    def multiply(self, rows: Array, matrix: Array, *, out: Array) -> Array:
        """``rows @ matrix.T`` in blocks of columns, only the band: thousands of sweeps cost a few passes over memory.

        Parameters
        ----------
        rows : ndarray, shape (m, n)
        matrix : ndarray, shape (n, n)
            `smooth` or `derivative`.
        out : ndarray, shape (m, n)
            Takes the result, and is returned.
        """
        first, last = self.band
        for start in range(0, self.axis.size, _BLOCK):
            stop = min(start + _BLOCK, self.axis.size)
            low, high = int(first[start:stop].min()), int(last[start:stop].max()) + 1
            np.matmul(rows[:, low:high], matrix[start:stop, low:high].T, out=out[:, start:stop])
        return out

    @property
    def one_sided(self) -> NDArray[np.bool_]:
        """Where a point lies within half a window of an end, so that it is made from one side only, shape (n,).

        There the derivative is an extrapolation of the last window: its noise is larger, and it follows a bend late. Half a
        window is that of the local polynomial, else the width asked for.
        """
        return np.asarray(_centres(self.axis, _half_window(self.asked, self.axis)) != self.axis)

    @property
    def noise_gain(self) -> Array:
        """Standard deviation of the derivative for white noise of 1 A, shape (n,) [1/V]."""
        gain: Array = np.sqrt((self.derivative**2).sum(axis=1))
        return gain

    def kernel(self, position: int | None = None) -> tuple[Array, Array]:
        """The kernel through which dI/dV is seen at one point: offsets [V] and density [1/V], whose integral is 1.

        `position` is the index on the axis (default: the middle). Offsets are the middles of the steps, the kernel is
        constant over a step.

        Parameters
        ----------
        position : int, optional
            Point of the axis; the middle one if not given.
        """
        row = self.axis.size // 2 if position is None else position
        density = self._shares(slice(row, row + 1))[0] / np.diff(self.axis)
        return (self.axis[1:] + self.axis[:-1]) / 2 - self.axis[row], density

    @property
    def widths(self) -> Array:
        """Full width at half height of the kernel of dI/dV at every point [V], shape (n,)."""
        return self._widths(slice(None))

    @cached_property
    def width(self) -> float:
        """Full width at half height of the kernel of dI/dV [V]: the median over (about 40 points of) the axis."""
        return float(np.median(self._widths(slice(self.axis.size // 80, None, max(1, self.axis.size // 40)))))

    @property
    def words(self) -> str:
        """The smoothing and its energy width, for tables and reports."""
        return f"{self.form}, energy width {_millivolt(self.width)}"

    def _widths(self, rows: slice) -> Array:
        density = self._shares(rows) / np.diff(self.axis)
        return _half_widths((self.axis[1:] + self.axis[:-1]) / 2, density, np.diff(self.axis))

    def _shares(self, rows: slice) -> Array:
        # The current is the integral of dI/dV: a slope of one step moves all points to its right.
        tail = np.cumsum(self.derivative[rows, ::-1], axis=1)[:, ::-1]
        shares: Array = tail[:, 1:] * np.diff(self.axis)
        return shares


def make_smoother(axis: Any, *, width_V: float, method: str = "local polynomial", order: int = 2) -> Smoother:
    """Operators that smooth with a kernel of about the given width.

    Parameters
    ----------
    axis : array_like, shape (n,)
        Ascending bias [V]; steps need not be equal.
    width_V : float
        Full width at half height of the kernel of dI/dV [V]. The width that results is `Smoother.width`: windows
        hold whole points, and never fewer than the method needs.
    method : {'local polynomial', 'gaussian', 'penalised'}
        ``local polynomial`` fits a polynomial to all points of a window (Savitzky-Golay where steps are equal; the
        first and last window serve their outer points). ``gaussian`` weighs the points of a local parabola by a
        Gaussian: the derivative of a Gaussian where steps are equal. ``penalised`` minimises the squared residuals
        plus the squared third derivative (divided differences), and differentiates over three points.
    order : int
        Of the local polynomial, 1 to 4. The other methods are exact for order 2.

    Raises
    ------
    ValueError
        For an unknown method, an order out of range, a width that is not positive, or fewer points than needed.

    Notes
    -----
    A. Savitzky, M. J. E. Golay, Anal. Chem. 36, 1627 (1964); W. S. Cleveland, J. Am. Stat. Assoc. 74, 829 (1979);
    P. H. C. Eilers, Anal. Chem. 75, 3631 (2003). All are exact for polynomials up to their order everywhere, ends
    included.
    """
    axis = np.asarray(axis, float)
    if method not in METHODS:
        raise ValueError(f"The smoothing method is '{method}'; it must be one of: {', '.join(METHODS)}.")
    if method == "local polynomial" and order not in _WINDOW:
        raise ValueError(f"The order of the local polynomial is {order}; it must be 1, 2, 3 or 4.")
    if not (np.isfinite(width_V) and width_V > 0):
        raise ValueError(f"The smoothing width is {width_V:g} V; it must be above zero.")
    if axis.ndim != 1 or np.any(np.diff(axis) <= 0) or not np.isfinite(axis).all():
        raise ValueError("The bias axis must ascend and be finite; sort it and average repeated values first.")
    degree = order if method == "local polynomial" else 2
    if axis.size < degree + 2:
        raise ValueError(
            f"The sweep has {axis.size} points; smoothing of order {degree} needs at least {degree + 2}. "
            "Record more points, or use a lower order."
        )
    if method == "penalised":
        smooth, derivative, band = _penalised(axis, width_V / _PENALTY_WIDTH)
        words = "penalised least squares, third difference"
    elif method == "gaussian":
        sigma = width_V / SIGMA_TO_WIDTH
        smooth, derivative, band = _local(axis, axis, _GAUSS_REACH * sigma, 2, sigma)
        words = f"derivative of a Gaussian, standard deviation {_millivolt(sigma)}"
    else:
        half = _half_window(Asked(width_V, method, order), axis)
        smooth, derivative, band = _local(axis, _centres(axis, half), half, order, None)
        words = f"local polynomial of order {order}, window {_millivolt(2 * half)}"
    return Smoother(method, axis, smooth, derivative, band, words, Asked(width_V, method, order))


def narrowest_width(axis: Any, *, order: int = 2) -> float:
    """The smallest sensible width [V]: a window of `order` + 2 (at least 3) typical steps.

    Parameters
    ----------
    axis : array_like, shape (n,)
        Bias [V] or height [m], rising.
    order : int
        Of the polynomial.
    """
    step = float(np.median(np.diff(np.asarray(axis, float))))
    return (order + 2) * step / float(_WINDOW[order])


def same_window(asked: Asked, order: int) -> float:
    """The width [V] of a local polynomial of another order in the window of this one.

    Parameters
    ----------
    asked : Asked
        Of a local polynomial.
    order : int
        1 to 4.
    """
    return float(asked.width_V * _WINDOW[asked.order] / _WINDOW[order])


def _half_window(asked: Asked, axis: Array) -> float:
    """Half the window of a local polynomial [V]; of the other methods, whose windows have no edge, the width of the kernel."""
    half = _WINDOW[asked.order] * asked.width_V / 2 if asked.method == "local polynomial" else asked.width_V
    return float(min(half, np.ptp(axis) / 2))


def _centres(axis: Array, half: float) -> Array:
    """Centre of the window of each point: itself, or for those near an end the last whose window reaches that end."""
    slack = 1e-9 * np.ptp(axis)  # of rounding
    first = axis[np.searchsorted(axis, axis[0] + half + slack) - 1]
    last = axis[np.searchsorted(axis, axis[-1] - half - slack)]
    return np.clip(axis, first, last) if first <= last else np.full(axis.size, (axis[0] + axis[-1]) / 2)


def _local(axis: Array, centre: Array, half: float, order: int, sigma: float | None) -> tuple[Array, Array, Band]:
    """Operators and band of a local polynomial fit: window `centre` ± `half`, with Gaussian weights if `sigma` is given."""
    points = axis.size
    needed = min(max(order + 1, 3), points)
    slack = 1e-9 * np.ptp(axis)
    first = np.searchsorted(axis, centre - half - slack)
    last = np.searchsorted(axis, centre + half + slack)  # one past
    while np.any(short := last - first < needed):  # sparse places: take the nearest points
        left = np.where(first > 0, centre - axis[np.maximum(first - 1, 0)], np.inf)
        right = np.where(last < points, axis[np.minimum(last, points - 1)] - centre, np.inf)
        first, last = first - (short & (left < right)), last + (short & ~(left < right))
    offset = np.arange(int((last - first).max()))
    index = np.minimum(first[:, None] + offset, points - 1)
    inside = first[:, None] + offset < last[:, None]
    distance = axis[index] - centre[:, None]
    scale = np.max(np.abs(distance) * inside, axis=1)
    weight = inside * (
        1.0 if sigma is None else np.exp(-0.25 * (distance / np.maximum(sigma, scale[:, None] / 6)) ** 2)
    )
    powers = np.arange(order + 1)
    basis = np.empty((*index.shape, order + 1))
    basis[..., 0] = weight
    for power in powers[1:]:  # products: a power of each element takes most of the time of all this
        np.multiply(basis[..., power - 1], distance / scale[:, None], out=basis[..., power])
    q, r = np.linalg.qr(basis)
    place = ((axis - centre) / scale)[:, None]
    value = place**powers
    slope = powers * place ** np.maximum(powers - 1, 0) / scale[:, None]
    # rows b R^-1 Q^T of the least-squares solution, evaluated at the point itself
    solved = np.linalg.solve(np.swapaxes(r, 1, 2), np.stack([value, slope], axis=2))
    rows = np.einsum("ikc,ijk->cij", solved, q) * weight
    result = np.zeros((2, points, points))
    where = np.broadcast_to(np.arange(points)[:, None], index.shape)
    result[:, where[inside], index[inside]] = rows[:, inside]
    return result[0], result[1], (first, last - 1)


def _penalised(axis: Array, length: float) -> tuple[Array, Array, Band]:
    """Operators and band of penalised least squares; the transfer function is 1/(1 + (k length)^6) far from the ends."""
    points = axis.size
    share = np.gradient(
        axis
    )  # weight of a point: the stretch of axis it stands for, so the width is the same everywhere
    third = np.zeros((points - 3, points))
    rows = np.arange(points - 3)
    for j in range(4):  # divided difference, times 3! to be the derivative
        product = np.ones(points - 3)
        for k in range(4):
            if k != j:
                product *= axis[j : points - 3 + j] - axis[k : points - 3 + k]
        third[rows, rows + j] = 6 / product
    stretch = (axis[3:] - axis[:-3]) / 3
    normal = (third.T * (length**6 * stretch)) @ third
    normal[np.diag_indices(points)] += share
    banded = np.zeros((4, points))
    for k in range(4):
        banded[3 - k, k:] = np.diagonal(normal, k)
    smooth = linalg.solveh_banded(banded, np.diag(share))
    # Parabolas pass unchanged; taking them out first keeps the rounding of the stiff system (1e-5) away from them.
    parabolas, _ = np.linalg.qr((axis - axis.mean())[:, None] ** np.arange(3) / np.ptp(axis) ** np.arange(3))
    smooth += (parabolas - smooth @ parabolas) @ parabolas.T
    everywhere = np.zeros(points, int), np.full(points, points - 1)  # small, but not zero, far away
    return smooth, np.gradient(smooth, axis, axis=0, edge_order=2), everywhere


def _half_widths(position: Array, density: Array, step: Array) -> Array:
    """Full width at half height of each row of `density` on `position`, by linear interpolation."""
    top = np.argmax(density, axis=1)
    rows = np.arange(len(density))
    half = density[rows, top] / 2
    left, right = ends_above(density >= half[:, None], top)

    def end(inner: NDArray[np.int64], outer: NDArray[np.int64], sign: float) -> Array:
        off = (outer < 0) | (outer >= position.size)  # the kernel ends where the axis ends
        return np.where(off, position[inner] + sign * step[inner] / 2, crossing(position, density, half, inner, outer))

    return end(right - 1, right, 1.0) - end(left + 1, left, -1.0)


def _millivolt(value: float) -> str:
    return with_prefix(value * 1e3, "mV")
