"""Sweeps of different bias axes put on one, by a linear operator for each axis, where a plan asks for it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sts.curves.electronics import find_saturation, noise_level
from sts.quantities import LEAST_BIAS, range_with_prefix, with_prefix
from sts.sweeps import SweepSet

Array = NDArray[np.float64]

WIDTH, NOISE = "axis_width_V", "axis_noise_A"  # columns of a set on a common axis, one value for each sweep
FEWEST_REPEATS = 3  # fewer have bands by their point noise, which an operator ties together
_FEWEST_POINTS = 11
_LEAST_SHARED = 0.5  # of the widest axis


def common_points(axes: Sequence[Array]) -> Array:
    """The points of the coarsest axis that lie within all of them.

    Parameters
    ----------
    axes : sequence of numpy.ndarray, shape (n,)
        Ascending [V].

    Raises
    ------
    ValueError
        If they share less than half of the widest, or fewer than 11 points.
    """
    steps = [float(np.median(np.diff(axis))) for axis in axes]
    coarsest = axes[int(np.argmax(steps))]
    slack = 1e-6 * max(steps)
    low, high = max(axis[0] for axis in axes), min(axis[-1] for axis in axes)
    points: Array = coarsest[(coarsest >= low - slack) & (coarsest <= high + slack)]
    if high - low < _LEAST_SHARED * max(np.ptp(axis) for axis in axes):
        raise ValueError("the axes share less than half of the widest of them")
    if points.size < _FEWEST_POINTS:
        raise ValueError(
            f"the coarsest axis has {points.size} points within all of them, and {_FEWEST_POINTS} are needed"
        )
    return points


def onto(axis: Array, points: Array) -> Array:
    """The operator (p, n) that brings a curve on `axis` to `points`: a local straight line within one step of the points.

    Parameters
    ----------
    axis : numpy.ndarray, shape (n,)
        Ascending [V].
    points : numpy.ndarray, shape (p,)
        Within the axis, no finer than it [V].

    Notes
    -----
    Weights fall linearly to zero one step (of the points) away, and the line is their least-squares fit: between two samples of
    equal steps that is linear interpolation, of a finer axis a mean with a triangular kernel (W. S. Cleveland, J. Am. Stat.
    Assoc. 74, 829, 1979, with that kernel). Straight lines pass unchanged, and a sample that lies on a point stands for itself
    where steps are equal.
    """
    step = np.gradient(points)[:, None]
    distance = axis - points[:, None]
    weight = np.maximum(1 - np.abs(distance) / (step * (1 + 1e-9)), 0.0)
    few = (weight > 0).sum(axis=1) < 2
    zeroth, first, second = (np.sum(weight * distance**power, axis=1) for power in range(3))
    below = zeroth * second - first**2
    line = weight * (second[:, None] - first[:, None] * distance)
    alone = few | (below <= 1e-12 * zeroth**2 * step[:, 0] ** 2)
    with np.errstate(divide="ignore", invalid="ignore"):
        found = line / below[:, None]
    if alone.any():
        found[alone] = _between(axis, points[alone])
    return np.asarray(found)


def _between(axis: Array, points: Array) -> Array:
    """Linear interpolation (p, n)."""
    right = np.clip(np.searchsorted(axis, points), 1, axis.size - 1)
    share = np.clip((points - axis[right - 1]) / (axis[right] - axis[right - 1]), 0.0, 1.0)
    found = np.zeros((points.size, axis.size))
    rows = np.arange(points.size)
    found[rows, right - 1], found[rows, right] = 1 - share, share
    return found


def added_width(operator: Array, axis: Array, points: Array) -> float:
    """Full width at half height [V] of the triangle that spreads dI/dV as much as an operator does, on average over the points.

    Parameters
    ----------
    operator : numpy.ndarray, shape (p, n)
        Of `onto`.
    axis, points : numpy.ndarray, shape (n,) and (p,)
        [V].

    Notes
    -----
    A triangle of this width has the variance w²/6; with equal steps and any shift between the axes, it is the kernel itself.
    """
    spread = np.sum(operator * (axis - points[:, None]) ** 2, axis=1)
    width = float(np.sqrt(6 * max(float(spread.mean()), 0.0)))
    return width if width > 1e-3 * float(np.median(np.diff(points))) else 0.0  # less is rounding


def with_triangle(kernel: tuple[Array, Array], width_V: float) -> tuple[Array, Array]:
    """A kernel (offsets [V], density), convolved with a triangle; as it came where the width is not above 0.

    Parameters
    ----------
    kernel : (numpy.ndarray (k,), numpy.ndarray (k,))
    width_V : float
        Full width at half height of the triangle.
    """
    if not width_V > 0:
        return kernel
    offsets, density = kernel
    step = min(float(np.min(np.diff(offsets))), width_V) / 4
    half = int(np.ceil(width_V / step))
    grid = np.arange(offsets[0] - half * step, offsets[-1] + (half + 1) * step, step)
    fine = np.interp(grid, offsets, density, left=0.0, right=0.0)
    triangle = np.maximum(1 - np.abs(step * np.arange(-half, half + 1)) / width_V, 0.0)
    return grid, np.convolve(fine, triangle / triangle.sum(), mode="same")


def on_common_axis(sets: Sequence[SweepSet]) -> SweepSet:
    """Sweeps of several axes as one set on the coarsest, within the range that all have.

    Parameters
    ----------
    sets : sequence of SweepSet
        Of kind ``"iv"``.

    Returns
    -------
    SweepSet
        With the columns `axis_width_V`, what the operator adds to the resolution (full width at half height), and
        `axis_noise_A`, the white noise that has the density of the sweep's own on the new axis. A point that needs a sample
        that is missing, or at the limit of the amplifier, is missing. Lock-in channels are kept where all have one of one unit.

    Raises
    ------
    ValueError
        If the axes share too little, or some hold no current.
    """
    if not all(part.has_current for part in sets):
        raise ValueError("some of them hold no current")
    points = common_points([part.axis for part in sets])
    step = float(np.median(np.diff(points)))
    units = {part.lockin_unit if part.lockin is not None else None for part in sets}
    currents, lockins, tables = [], [], []
    for part in sets:
        operator = onto(part.axis, points)
        railed = find_saturation(part.current, full_scale=part.table["full_scale_A"].to_numpy(float))
        current = np.where(railed, np.nan, part.current)
        currents.append(_applied(operator, current))
        if part.lockin is not None and len(units) == 1:
            lockins.append(_applied(operator, part.lockin))
        density = np.sqrt(float(np.median(np.diff(part.axis))) / step)
        columns = {WIDTH: added_width(operator, part.axis, points), NOISE: density * noise_level(current)}
        tables.append(part.table.assign(**columns))
    return replace(
        sets[0],
        axis=points,
        current=np.concatenate(currents),
        lockin=np.concatenate(lockins) if lockins else None,
        table=pd.concat(tables, ignore_index=True),
        notes=tuple(dict.fromkeys(note for part in sets for note in part.notes)),
    )


def width_of(sweeps: SweepSet) -> float:
    """What a common axis adds to the resolution of the mean of sweeps [V]; NaN where they were recorded on theirs.

    Parameters
    ----------
    sweeps : SweepSet
    """
    widths = sweeps.number(WIDTH)
    return float(np.sqrt(np.mean(widths**2))) if np.isfinite(widths).all() and widths.any() else float("nan")


def axis_words(sets: Sequence[SweepSet], common: SweepSet) -> str:
    """How sweeps came to one axis, in words.

    Parameters
    ----------
    sets : sequence of SweepSet
        As recorded.
    common : SweepSet
    """
    counts = ", ".join(str(part.axis.size) for part in sets)
    ends = range_with_prefix(common.axis[0], common.axis[-1], "V", least=LEAST_BIAS)
    widest = with_prefix(float(np.nanmax(common.number(WIDTH))) * 1e3, "meV")
    return (
        f"its sweeps have {len(sets)} different bias axes ({counts} points); they were brought to the {common.axis.size} points of "
        f"the coarsest within all of them, {ends}, by local straight lines, which broaden dI/dV by up to {widest}: counted in the "
        "resolution."
    )


def _applied(operator: Array, rows: Array) -> Array:
    """The operator on rows (m, n); NaN where it needs a sample that is missing."""
    missing = ~np.isfinite(rows)
    found = np.where(missing, 0.0, rows) @ operator.T
    if missing.any():
        found[(missing @ (np.abs(operator) > 1e-9).T.astype(float)) > 0] = np.nan
    return np.asarray(found)
