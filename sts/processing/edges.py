"""The gap of a spectrum by two definitions: where ln(dI/dV) leaves the floor, and where a band extrapolates to zero.

The two differ by physics, not by error: thermal tails bring the logarithmic onset in, a wrong exponent moves the
extrapolation. So floor, exponent and both values belong in the result.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from sts.quantities import BOLTZMANN_EV

Array = NDArray[np.float64]

COLUMNS = (
    "gap_method", "gap_meV", "gap_se_meV", "lower_edge_V", "lower_edge_se_V", "upper_edge_V", "upper_edge_se_V",
    "floor", "floor_to_edge", "exponent", "note",
)  # fmt: skip
FLOOR_SD = 4.0  # how far above the floor, in its standard deviations, counts as having left it
LEAST_CONTRAST = 8.0  # of dI/dV between the ends and the floor, below which there is no gap to speak of
FIT_RANGE = (0.12, 0.6)  # part of the band, as shares of its value at the end of the axis, that is extrapolated
RESAMPLES = 400


@dataclass(frozen=True, eq=False)
class _Edges:
    lower: Array  # (r,)
    upper: Array  # (r,)


def gap_edges(
    bias: Any, didv_each: Any, *, temperature_K: float = float("nan"), exponent: float = 1.0, confidence: float = 0.95,
    seed: int = 0,
) -> pd.DataFrame:  # fmt: skip
    """Edges of the gap around zero bias by both definitions, with uncertainties from the scatter between sweeps.

    Parameters
    ----------
    bias : array_like, shape (n,)
        Ascending [V].
    didv_each : array_like, shape (m, n)
        Smoothed dI/dV of every repeat. With m below 3 there is no uncertainty.
    temperature_K : float
        For the note on the thermal tail.
    exponent : float
        p of the band, dI/dV ∝ (|V| - edge)^p: 1 for linear, 0.5 for square-root edges.
    confidence : float
        Of the floor's limit (through its quantile).
    seed : int
        Of the resampling of sweeps.

    Returns
    -------
    pandas.DataFrame
        One row a definition, `COLUMNS`; a single row with NaN and the reason in `note` where there is no gap.

    Notes
    -----
    *log onset*: the floor is the mean in the middle of the gap; an edge is where ln(dI/dV) leaves the floor's limit
    (floor + 4 standard deviations of its points) for good. Smoothing and thermal tail bring this edge in, the tail by
    up to kT ln 10 for every decade between edge and floor.
    *extrapolation*: a straight line through (dI/dV - floor)^(1/p) between 12 and 60 % of its value at the end of the axis,
    to zero. Uncertainties are standard deviations over bootstrap samples of whole sweeps (B. Efron, Ann. Stat. 7, 1,
    1979): neighbouring points are correlated by the smoothing, sweeps are not.
    """
    v = np.asarray(bias, float)
    each = np.atleast_2d(np.asarray(didv_each, float))
    each = each[np.isfinite(each).any(axis=1)]
    if each.size == 0 or not (v[0] < 0 < v[-1]):
        return _nothing(exponent, "the axis does not reach to both sides of zero bias")
    mean = np.nanmean(each, axis=0)
    middle = _gap_middle(v, mean)
    if middle is None:
        return _nothing(exponent, "no gap around zero bias: dI/dV does not fall to a floor there")
    m = len(each)
    generator = np.random.default_rng(seed)
    weights = generator.multinomial(m, np.full(m, 1 / m), RESAMPLES) / m if m >= 3 else np.zeros((0, m))
    whole = np.nan_to_num(np.where(np.isfinite(each), each, mean))  # a missing sample must not pull a resample to zero
    curves = np.concatenate([mean[None], weights @ whole])
    inside = (v >= middle[0]) & (v <= middle[1])
    floor = curves[:, inside].mean(axis=1)
    scatter = mean[inside].std(ddof=1)
    reach = stats.norm.ppf(0.5 + confidence / 2) / 1.96 * FLOOR_SD
    limit = np.maximum(floor, 0) + reach * max(scatter, 1e-4 * np.nanmax(mean))
    ends = float(min(np.median(mean[: max(3, v.size // 20)]), np.median(mean[-max(3, v.size // 20) :])))
    kT = BOLTZMANN_EV * temperature_K
    decades = np.log10(max(ends / limit[0], 1.0))
    tail = (
        f"; the thermal tail may bring each edge in by up to {1e3 * kT * np.log(10) * decades:.0f} meV"
        if kT > 0
        else ""
    )
    onset = _log_onset(v, curves, limit, middle)
    line = _extrapolate(v, curves, np.maximum(floor, 0), exponent, middle)
    rows = [
        _row("log onset", onset, floor[0], floor[0] / ends, float("nan"), f"limit {limit[0] / ends:.1e} of the ends{tail}"),
        _row(f"extrapolation, exponent {exponent:g}", line, floor[0], floor[0] / ends, exponent, "straight above the edge assumed"),
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=list(COLUMNS))


def soft_gap_width(bias: Any, didv: Any) -> tuple[float, float, float]:
    """Width [V] of a dip around zero bias at half of its depth, for gaps that do not reach zero; and its two edges.

    Parameters
    ----------
    bias, didv : array_like, shape (n,)

    Returns
    -------
    (width, lower, upper)
        NaN where there is no dip. The level beside the dip is the higher of the shoulders' medians on each side; the
        outermost crossings of half depth count, so that structure inside the gap does not end it.
    """
    v, g = np.asarray(bias, float), np.asarray(didv, float)
    good = np.isfinite(g)
    v, g = v[good], g[good]
    inner = np.abs(v) < 0.3 * min(-v[0], v[-1])
    nothing = (float("nan"),) * 3
    if not inner.any():
        return nothing
    bottom = float(np.min(g[inner]))
    sides = []
    for side in (v < 0, v > 0):
        outer = side & (np.abs(v) > 0.5 * min(-v[0], v[-1])) & (np.abs(v) < 0.75 * min(-v[0], v[-1]))
        if not outer.any():
            return nothing
        half = (np.median(g[outer]) + bottom) / 2
        below = side & (g < half) & (np.abs(v) < 0.6 * min(-v[0], v[-1]))
        if not below.any():
            return nothing
        sides.append(float(v[below][np.argmax(np.abs(v[below]))]))
    return sides[1] - sides[0], sides[0], sides[1]


def dip_width(bias: Any, didv: Any) -> tuple[float, float]:
    """Depth (relative to the level far away) and full width at half depth [V] of a dip at zero bias.

    For a Coulomb-blockade array the width is 5.439 N kT/e (J. P. Pekola et al., Phys. Rev. Lett. 73, 2903, 1994).
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


def steepest_rise(bias: Any, didv: Any, didv_se: Any) -> tuple[float, float]:
    """Steepest significant rise of dI/dV away from zero bias: volts per decade, and where [V].

    An ungapped tip cannot rise faster than a decade per kT ln10/e (58 mV at 295 K, 15 mV at 77 K).
    """
    v, g, se = (np.asarray(a, float) for a in (bias, didv, didv_se))
    clear = np.isfinite(g) & (g > 6 * se) & (g > 0)
    pairs = clear[1:] & clear[:-1]
    if not pairs.any():
        return float("nan"), float("nan")
    with np.errstate(invalid="ignore", divide="ignore"):
        slope = np.diff(np.log10(np.where(clear, g, np.nan))) / np.diff(v) * np.sign(v[1:] + v[:-1])
        noise = np.hypot(se[1:] / g[1:], se[:-1] / g[:-1]) / np.log(10) / np.diff(v)
    slope = np.where(pairs & (slope > 3 * noise), slope, -np.inf)
    best = int(np.argmax(slope))
    if not np.isfinite(slope[best]) or slope[best] <= 0:
        return float("nan"), float("nan")
    return float(1 / slope[best]), float((v[best] + v[best + 1]) / 2)


def _gap_middle(v: Array, mean: Array) -> tuple[float, float] | None:
    """The part of the axis around zero in which dI/dV lies at its floor, or None if there is no gap."""
    edge = max(3, v.size // 20)
    ends = min(float(np.nanmedian(mean[:edge])), float(np.nanmedian(mean[-edge:])))
    smooth = np.convolve(np.nan_to_num(mean), np.ones(5) / 5, mode="same")
    near = np.abs(v) < 0.6 * min(-v[0], v[-1])
    bottom = np.nanquantile(smooth[near], 0.15)
    if not ends > 0 or ends < LEAST_CONTRAST * max(bottom, 0):
        return None
    low = smooth < max(bottom, 0) + 0.04 * ends
    start = int(np.flatnonzero(near)[np.argmin(np.abs(smooth[near] - bottom))])
    left = start
    while left > 0 and low[left - 1]:
        left -= 1
    right = start
    while right < v.size - 1 and low[right + 1]:
        right += 1
    width = v[right] - v[left]
    if right - left < 6 or left == 0 or right == v.size - 1:
        return None
    return float(v[left] + 0.25 * width), float(v[right] - 0.25 * width)


def _log_onset(v: Array, curves: Array, limit: Array, middle: tuple[float, float]) -> _Edges:
    found = []
    for sign in (-1, 1):
        outward = v > middle[1] if sign > 0 else v < middle[0]
        x = np.abs(v[outward])
        order = np.argsort(x)
        x, y = x[order], curves[:, outward][:, order]
        found.append(sign * _crossing(x, y, limit))
    return _Edges(found[0], found[1])


def _crossing(x: Array, y: Array, limit: Array) -> Array:
    """Where each row of y (r, k) rises above `limit` (r,) for good, between points by straight lines in ln y."""
    ratio = np.maximum(np.log(np.maximum(y, 1e-300) / limit[:, None]), -5.0)
    below = ratio < 0
    last = np.where(below.any(axis=1), below.shape[1] - 1 - np.argmax(below[:, ::-1], axis=1), 0)
    row, nxt = np.arange(len(y)), np.minimum(last + 1, x.size - 1)
    rise = ratio[row, nxt] - ratio[row, last]
    share = np.clip(-ratio[row, last] / np.where(rise > 0, rise, 1.0), 0.0, 1.0)
    return np.asarray(x[last] + (x[nxt] - x[last]) * share)


def _extrapolate(v: Array, curves: Array, floor: Array, exponent: float, middle: tuple[float, float]) -> _Edges:
    found = []
    for sign in (-1, 1):
        outward = v > middle[1] if sign > 0 else v < middle[0]
        x = np.abs(v[outward])
        order = np.argsort(x)
        x, y = x[order], np.maximum(curves[:, outward][:, order] - floor[:, None], 0.0) ** (1 / exponent)
        end = np.median(y[:, -max(3, x.size // 10) :], axis=1)[:, None]
        rough = y[:1] / end[:1]  # one window for all resamples, so that the window's choice is not noise
        use = ((rough > FIT_RANGE[0]) & (rough < FIT_RANGE[1])).astype(float)
        use = np.broadcast_to(use, y.shape)
        count = use.sum(axis=1)
        with np.errstate(invalid="ignore", divide="ignore"):
            mx, my = (use * x).sum(axis=1) / count, (use * y).sum(axis=1) / count
            dx = use * (x - mx[:, None])
            slope = (dx * (y - my[:, None])).sum(axis=1) / (dx**2).sum(axis=1)
            edge = mx - my / slope
        found.append(sign * np.where((count >= 3) & (slope > 0), edge, np.nan))
    return _Edges(found[0], found[1])


def _row(method: str, edges: _Edges, floor: float, ratio: float, exponent: float, note: str) -> dict[str, Any]:
    gap = edges.upper - edges.lower
    spread = [np.nanstd(x[1:], ddof=1) if x.size > 3 else float("nan") for x in (gap, edges.lower, edges.upper)]
    values = (method, gap[0] * 1e3, spread[0] * 1e3, edges.lower[0], spread[1], edges.upper[0], spread[2], floor, ratio,
              exponent, note)  # fmt: skip
    return dict(zip(COLUMNS, values, strict=True))


def _nothing(exponent: float, why: str) -> pd.DataFrame:
    nan = float("nan")
    row = ("", *[nan] * 8, exponent, why)
    return pd.DataFrame([dict(zip(COLUMNS, row, strict=True))])
