"""Dips around zero bias that do not reach zero: their width at half of their depth."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from sts.curves.distributions import wider_of_few

Array = NDArray[np.float64]

NEAREST, FARTHEST = 1.6, 2.4  # half widths from the middle of a dip: where the level beside it is taken
STARTS = 8  # half widths that are tried first
NO_SHOULDER = 1.15  # what goes on rising by this between the near and the far half of that stretch is no dip
BOTTOM = 0.2  # quantile of dI/dV in the dip that counts as its bottom: states in it do not
SAME = 0.005  # relative change of the width at which it has come to rest


def soft_gap_width(bias: Any, didv: Any, zero_V: float = 0.0) -> tuple[float, float, float]:
    """Width [V] of a dip around zero bias at half of its depth, for gaps that do not reach zero; and its two edges.

    Parameters
    ----------
    bias, didv : array_like, shape (n,)
        Ascending [V]; dI/dV in any unit.
    zero_V : float
        Zero of the bias, where it was found and not taken off [V].

    Returns
    -------
    (width, lower, upper)
        NaN where there is no dip, or dI/dV goes on rising to the ends.

    Notes
    -----
    The level beside a dip is a straight line through the medians of dI/dV between 1.6 and 2.4 half widths on both sides, and
    the half width follows from that level: repeated until it rests. A V or a parabola has no scale of its own: there it grows
    to the end of the axis, and goes on rising where the level is taken. Of several dips around zero the deepest counts, and of its
    crossings of half depth the outermost before the level, so that structure inside the gap does not end it.
    Common practice, no source.
    """
    v, g = np.asarray(bias, float) - zero_V, np.asarray(didv, float)
    good = np.isfinite(g)
    v, g = v[good], g[good]
    best, depth = (float("nan"),) * 3, 0.0
    if v.size < 12 or not (v[0] < 0 < v[-1]):
        return best
    reach, step = min(-v[0], v[-1]), float(np.median(np.diff(v)))
    for half in np.geomspace(2 * step, reach / FARTHEST, STARTS):
        found = _at_rest(v, g, float(half))
        if found is not None and found[0] > depth:
            depth, best = found[0], (found[2] - found[1], found[1] + zero_V, found[2] + zero_V)
    return best


def soft_gap_error(bias: Any, didv: Any, didv_se: Any, units: Any, edges: tuple[float, float]) -> Array:
    """Standard uncertainty [V] of width, lower and upper edge of a dip; half the interval of 95 % over 1.96.

    Parameters
    ----------
    bias, didv, didv_se : array_like, shape (n,)
    units : array_like, shape (m, n)
        dI/dV of each unit (repeat, site or tip).
    edges : (float, float)
        Of the dip in `didv` [V].

    Returns
    -------
    numpy.ndarray, shape (3,)
        From the scatter of what the units say alone, by Student's t; of fewer than three that have the dip,
        from `didv_se` over the slope at the edges. NaN where neither is to be had.
    """
    v, g, se = (np.asarray(a, float) for a in (bias, didv, didv_se))
    alone = [half_depth(v[good], row[good], *edges) for row in np.atleast_2d(units) if (good := np.isfinite(row)).any()]
    found = np.array([(one[2] - one[1], one[1], one[2]) for one in alone if one is not None])
    m = len(found)
    if m >= 3 and m == len(alone):
        return np.asarray(found.std(axis=0, ddof=1) / np.sqrt(m) * wider_of_few(m))
    slope = np.abs(np.interp(edges, v, np.gradient(g, v)))
    with np.errstate(divide="ignore", invalid="ignore"):
        each = 1.25**0.5 * np.interp(edges, v, se) / slope  # half of the bottom's noise comes with that of the edge
    return np.array([np.hypot(*each), *each])


def half_depth(bias: Any, didv: Any, lower: float, upper: float) -> tuple[float, float, float] | None:
    """Depth of a dip, and where dI/dV crosses half of it, once for a dip about between `lower` and `upper` [V].

    Parameters
    ----------
    bias, didv : array_like, shape (n,)
    lower, upper : float
    """
    v, g = np.asarray(bias, float), np.asarray(didv, float)
    middle, half = (lower + upper) / 2, (upper - lower) / 2
    x = v - middle
    beside = [(way * x >= NEAREST * half) & (way * x <= FARTHEST * half) for way in (-1, 1)]
    inner = np.abs(x) <= half
    if not (beside[0].any() and beside[1].any() and inner.any()):
        return None
    ends = [(float(np.median(x[part])), float(np.median(g[part]))) for part in beside]
    tilt = (ends[1][1] - ends[0][1]) / (ends[1][0] - ends[0][0])
    level = ends[0][1] + tilt * (x - ends[0][0])
    bottom = float(np.quantile((g - level)[inner], BOTTOM))
    far = np.abs(x) >= (NEAREST + FARTHEST) / 2 * half
    outside = [(g - level)[(beside[0] | beside[1]) & part] for part in (~far, far)]
    near_rise, far_rise = (float(np.median(part)) if part.size else 0.0 for part in outside)
    if bottom >= 0 or far_rise - bottom > NO_SHOULDER * (near_rise - bottom):
        return None
    over = np.asarray(g - level - bottom / 2)
    below = np.flatnonzero((over < 0) & (np.abs(x) < NEAREST * half))
    if not below.size or below[0] == 0 or below[-1] == v.size - 1:
        return None
    left, right = below[0], below[-1]
    if over[left - 1] < 0 or over[right + 1] < 0:  # still below where the level is taken
        return None
    low = v[left] - over[left] * (v[left - 1] - v[left]) / (over[left - 1] - over[left])
    high = v[right] - over[right] * (v[right + 1] - v[right]) / (over[right + 1] - over[right])
    return -bottom, float(low), float(high)


def _at_rest(v: Array, g: Array, half: float) -> tuple[float, float, float] | None:
    """Depth and edges at which the width follows from the level that it sets; None if it grows to the end, or vanishes."""
    lower, upper = -half, half
    for _ in range(80):
        found = half_depth(v, g, lower, upper)
        if found is None:
            return None
        width, was = found[2] - found[1], upper - lower
        middle, lower, upper = (found[1] + found[2]) / 2, found[1], found[2]
        outermost = max(abs(middle - FARTHEST * width / 2), abs(middle + FARTHEST * width / 2))
        if not lower < 0 < upper or outermost > min(-v[0], v[-1]):
            return None
        if abs(width - was) < SAME * was:
            return found if width > 3 * float(np.median(np.diff(v))) else None
    return None


def dip_width(bias: Any, didv: Any) -> tuple[float, float]:
    """Depth (relative to the level far away) and full width at half depth [V] of a dip at zero bias.

    For a Coulomb-blockade array the width is 5.439 N kT/e (J. P. Pekola et al., Phys. Rev. Lett. 73, 2903, 1994).

    Parameters
    ----------
    bias : array_like, shape (n,)
        Bias [V].
    didv : array_like, shape (n,)
        dI/dV [S].
    """
    v, g = np.asarray(bias, float), np.asarray(didv, float)
    good = np.isfinite(g)
    v, g = v[good], g[good]
    edge = max(3, v.size // 12)
    level = float(np.median(np.r_[g[:edge], g[-edge:]]))
    bottom = int(np.argmin(g))
    half = (level + g[bottom]) / 2
    left = np.flatnonzero(g[:bottom] > half)
    right = bottom + np.flatnonzero(g[bottom:] > half)
    if not left.size or not right.size:
        return float(1 - g[bottom] / level), float("nan")
    low = np.interp(half, [g[left[-1] + 1], g[left[-1]]], [v[left[-1] + 1], v[left[-1]]])
    high = np.interp(half, [g[right[0] - 1], g[right[0]]], [v[right[0] - 1], v[right[0]]])
    return float(1 - g[bottom] / level), float(high - low)
