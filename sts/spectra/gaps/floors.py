"""The floor of a gap: where dI/dV lies lowest around zero bias, and whether that is a floor at all."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

Array = NDArray[np.float64]
Points = NDArray[np.bool_]

LEAST_CONTRAST = 8.0  # of dI/dV between the ends and the floor, below which there is no gap to speak of
FLOOR_BAND = 0.04  # of the value at the ends: what lies below the minimum and this much more is taken for the floor
MOSTLY = 0.6  # of a stretch must lie at the floor, for the stretch to be a gap with states in it
NEAR = 0.6  # of the shorter side of the axis: where the floor is looked for


@dataclass(frozen=True, eq=False)
class Floor:
    """Where dI/dV lies at its floor: the middle of its longest stretch (two biases [V]) and what is fitted, (n,) each."""

    middle: tuple[float, float]
    lower: Points
    upper: Points


def level_at_ends(mean: Array) -> float:
    """The lower of the medians of dI/dV over a twentieth of the axis at either end.

    Parameters
    ----------
    mean : numpy.ndarray, shape (n,)
    """
    edge = max(3, mean.size // 20)
    return float(min(np.median(mean[:edge]), np.median(mean[-edge:])))


def find_floor(v: Array, mean: Array, ends: float) -> Floor | None:
    """Where dI/dV lies at its floor around zero, states in the gap aside; None if it does not.

    Parameters
    ----------
    v, mean : numpy.ndarray, shape (n,)
        Bias [V] and dI/dV.
    ends : float
        Its level at the ends.
    """
    smooth = uniform_filter1d(mean, 5, mode="nearest")
    near = np.flatnonzero(np.abs(v) < NEAR * min(-v[0], v[-1]))
    start = int(near[np.argmin(smooth[near])])
    bottom = max(float(smooth[start]), 0.0)
    if not ends > 0 or ends < LEAST_CONTRAST * bottom:
        return None
    low = smooth < bottom + FLOOR_BAND * ends
    right = start + int(np.flatnonzero(_mostly(low[start:]))[-1])
    left = start - int(np.flatnonzero(_mostly(low[start::-1]))[-1])
    if right - left < 6 or left == 0 or right == v.size - 1:
        return None
    turns = np.flatnonzero(np.diff(np.r_[0, low[left : right + 1].astype(int), 0]))
    runs = left + turns.reshape(-1, 2)  # first point, and that after the last
    first, last = runs[np.argmax(runs[:, 1] - runs[:, 0])]
    if last - first < 7:
        return None
    width = v[last - 1] - v[first]
    middle = float(v[first] + 0.25 * width), float(v[last - 1] - 0.25 * width)
    centre = (middle[0] + middle[1]) / 2
    end = v[runs[0, 1] - 3] if runs[0, 0] != first else middle[0]
    begin = v[runs[-1, 0] + 2] if runs[-1, 0] != first else middle[1]
    lower = (v >= middle[0]) & (v <= centre) | (v <= min(end, middle[0]))
    return Floor(middle, lower, (v <= middle[1]) & (v >= centre) | (v >= max(begin, middle[1])))


def floor_doubt(v: Array, each: Array, middle: tuple[float, float], ends: float) -> str:
    """Why what lies at the minimum may be no floor ("" if it is one).

    The slope of dI/dV (m, n) from the middle outwards is zero in a gap. A parabola that leaves the band of the floor at
    the distance d (the middle is half of that) has a slope of half of FLOOR_BAND · ends/d there, a V twice as much.

    Parameters
    ----------
    v : numpy.ndarray, shape (n,)
        [V].
    each : numpy.ndarray, shape (m, n)
        dI/dV of every repeat.
    middle : (float, float)
        Of the floor [V].
    ends : float
        Level of dI/dV at the ends.
    """
    inside = (v >= middle[0]) & (v <= middle[1])
    x = np.abs(v[inside] - (middle[0] + middle[1]) / 2)
    x = x - x.mean()
    slope = each[:, inside] @ x / (x @ x)
    m, mean = len(slope), float(slope.mean())
    if m >= 3:
        error = float(slope.std(ddof=1) / np.sqrt(m))
    else:  # from the residuals, neighbours tied together by the smoothing
        level = each[:, inside].mean(axis=0)
        residual = level - level.mean() - mean * x
        tied = np.clip(residual[1:] @ residual[:-1] / max(residual @ residual, 1e-300), 0.0, 0.9)
        error = float(residual.std(ddof=2) * np.sqrt((1 + tied) / (1 - tied) / (x @ x)))
    parabola = 0.5 * FLOOR_BAND * ends / (middle[1] - middle[0])
    share = 0.1 / ends  # per cent of the value at the ends, a millivolt
    rise = f"dI/dV rises from its minimum by {mean * share:.2g} ± {error * share:.1g} % of its value at the ends each millivolt"
    if mean > max(4 * error, parabola / 4):
        return f"no gap around zero bias: no flat floor, {rise}"
    if mean + 2 * error > parabola:
        return f"cannot tell whether there is a gap: noise hides whether the floor is flat; {rise}"
    return ""


def _mostly(low: Points) -> Points:
    """At which points that lie at the floor most points up to there do."""
    return low & (np.cumsum(low) >= MOSTLY * np.arange(1, low.size + 1))
