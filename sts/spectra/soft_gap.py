"""Dips around zero bias that do not reach zero: their width at half of their depth."""

from __future__ import annotations

from typing import Any

import numpy as np

NO_SHOULDER = 1.25  # a dip that is this much deeper against the ends than against its shoulders has none


def soft_gap_width(bias: Any, didv: Any) -> tuple[float, float, float]:
    """Width [V] of a dip around zero bias at half of its depth, for gaps that do not reach zero; and its two edges.

    Parameters
    ----------
    bias, didv : array_like, shape (n,)

    Returns
    -------
    (width, lower, upper)
        NaN where there is no dip, or dI/dV goes on rising to the ends: a V or a parabola has a half depth that only says
        how far the sweep went. The level beside the dip is the higher of the shoulders' medians on each side; the
        outermost crossings of half depth count, so that structure inside the gap does not end it.
    """
    v, g = np.asarray(bias, float), np.asarray(didv, float)
    good = np.isfinite(g)
    v, g = v[good], g[good]
    nothing = (float("nan"),) * 3
    if not v.size or not (v[0] < 0 < v[-1]):
        return nothing
    distance = np.abs(v) / min(-v[0], v[-1])
    inner = distance < 0.3
    if not inner.any():
        return nothing
    bottom = float(np.min(g[inner]))
    sides = []
    for side in (v < 0, v > 0):
        outer = side & (distance > 0.5) & (distance < 0.75)
        if not outer.any():
            return nothing
        level = float(np.median(g[outer]))
        end = float(np.median(g[side & (distance > 0.85)]))
        if end - bottom > NO_SHOULDER * (level - bottom):
            return nothing
        half = (level + bottom) / 2
        below = side & (g < half) & (distance < 0.6)
        if not below.any():
            return nothing
        sides.append(float(v[below][np.argmax(np.abs(v[below]))]))
    return sides[1] - sides[0], sides[0], sides[1]


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
