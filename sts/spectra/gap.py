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
from scipy.ndimage import uniform_filter1d
from scipy.special import ndtri

from sts.curves.crossings import crossing
from sts.curves.resampling import resampled_counts
from sts.quantities import BOLTZMANN_EV, THERMAL_WIDTH_FACTOR

Array = NDArray[np.float64]

COLUMNS = (
    "gap_method", "gap_meV", "gap_se_meV", "lower_edge_V", "lower_edge_se_V", "upper_edge_V", "upper_edge_se_V",
    "floor", "floor_to_edge", "exponent", "note", "each_found", "each_median_meV", "each_low_meV", "each_high_meV",
)  # fmt: skip
FLOOR_SD = 4.0  # how far above the floor, in its standard deviations, counts as having left it
LEAST_CONTRAST = 8.0  # of dI/dV between the ends and the floor, below which there is no gap to speak of
FIT_RANGE = (0.12, 0.6)  # part of the band, as shares of its value at the end of the axis, that is extrapolated
OTHER_RANGES = ((0.12, 0.45), (0.12, 0.75), (0.2, 0.45), (0.2, 0.6), (0.2, 0.75))  # show what that choice decides
FLOOR_BAND = 0.04  # of the value at the ends: what lies below the minimum and this much more is taken for the floor
NEAR = 0.6  # of the shorter side of the axis: where the floor is looked for
RESAMPLES = 400


@dataclass(frozen=True, eq=False)
class _Edges:
    lower: Array  # (r,)
    upper: Array  # (r,)


def gap_edges(
    bias: Any,
    didv_each: Any,
    *,
    temperature_K: float = float("nan"),
    resolution_V: float = float("nan"),
    exponent: float = 1.0,
    confidence: float = 0.95,
    seed: int = 0,
) -> pd.DataFrame:
    """Edges of the gap around zero bias by both definitions, with uncertainties from the scatter between sweeps.

    Parameters
    ----------
    bias : array_like, shape (n,)
        Ascending [V].
    didv_each : array_like, shape (m, n)
        Smoothed dI/dV of every repeat. With m below 3 there is no uncertainty.
    temperature_K : float
        For the thermal tail.
    resolution_V : float
        Energy resolution, full width at half height [V].
    exponent : float
        p of the band, dI/dV ∝ (|V| - edge)^p: 1 for linear, 0.5 for square-root edges.
    confidence : float
        Of the floor's limit (through its quantile).
    seed : int
        Of the resampling of sweeps.

    Returns
    -------
    pandas.DataFrame
        One row per definition, `COLUMNS`; a single row with NaN and the reason in `note` where there is no gap, or where noise
        is too large to tell a gap from a V or a parabola. `each_...` is the same read off each sweep alone: how many have
        it, the median, and the quantiles that hold the middle 68 %.

    Notes
    -----
    A gap has a flat floor: the slope of dI/dV against the distance from its middle is tested on every sweep, against
    that of a parabola through the same points.
    *log onset*: the floor is the mean in the middle of the gap; an edge is where ln(dI/dV) leaves the floor's limit
    (floor + 4 standard deviations of its points) for good. Smoothing and thermal tail bring this edge in, the tail by
    up to kT ln 10 for every decade between edge and floor; its uncertainty holds that, taken as evenly distributed up to
    its bound.
    *extrapolation*: a straight line through (dI/dV - floor)^(1/p) between 12 and 60 % of its value at the end of the axis,
    to zero. Its uncertainty holds the mean square shift over other ranges, and for exponents other than 1 what a resolution
    of variance σ² does to the line: x^p becomes x^p + σ² p(p - 1) x^(p-2)/2 at the distance x from the edge.
    Scatter is that of bootstrap samples of whole sweeps (B. Efron, Ann. Stat. 7, 1, 1979), times m/(m - 1) in variance:
    neighbouring points are correlated by the smoothing, sweeps are not.
    """
    v = np.asarray(bias, float)
    each = np.atleast_2d(np.asarray(didv_each, float))
    each = each[np.isfinite(each).any(axis=1)]
    there = np.isfinite(each).any(axis=0)  # a limit that every sweep reached is no part of the curve
    v, each = v[there], each[:, there]
    if each.size == 0 or not (np.abs(v) < NEAR * min(-v[0], v[-1])).any():
        return _nothing(exponent, "the axis does not reach to both sides of zero bias")
    mean = np.nanmean(each, axis=0)
    edge = max(3, v.size // 20)
    ends = float(min(np.median(mean[:edge]), np.median(mean[-edge:])))
    middle = _gap_middle(v, mean, ends)
    if middle is None:
        return _nothing(exponent, "no gap around zero bias: dI/dV does not fall to a floor there")
    m = len(each)
    whole = np.where(np.isfinite(each), each, mean)  # a missing sample must not pull a resample to zero
    if doubt := _floor_doubt(v, whole, middle, ends):
        return _nothing(exponent, doubt)
    weights = resampled_counts(m, RESAMPLES if m >= 3 else 0, seed) / m
    curves = np.concatenate([mean[None], weights @ whole])
    reach = ndtri(0.5 + confidence / 2) / 1.96 * FLOOR_SD
    floor, limit = _floor(v, curves, middle, reach)
    limit = np.maximum(floor, 0) + (limit[0] - max(floor[0], 0))  # the scatter of one curve for all resamples
    kT = BOLTZMANN_EV * temperature_K if temperature_K > 0 else 0.0
    tail = kT * np.log(10) * np.log10(max(ends / limit[0], 1.0))
    drawn_in = tail + (resolution_V / 2 if resolution_V > 0 else 0.0)
    window = _window(v, mean, floor[0], exponent, middle, FIT_RANGE)
    line = _extrapolate(v, curves, floor, exponent, window)
    shifts = [
        _Edges(other.lower - line.lower[:1], other.upper - line.upper[:1])
        for other in (
            _extrapolate(v, mean[None], floor[:1], exponent, _window(v, mean, floor[0], exponent, middle, part))
            for part in OTHER_RANGES
        )
    ]
    each_floor, each_limit = _floor(v, whole, middle, reach)
    shares = (floor[0], floor[0] / ends)
    rounding = _rounding(v, line, window, exponent, resolution_V)
    onset_note, line_note = _notes(limit[0] / ends, tail if kT > 0 else None, rounding, exponent, resolution_V)
    drawn = _Edges(np.array([drawn_in / 3**0.5]), np.array([-drawn_in / 3**0.5]))
    rows = [
        _row("log onset", _log_onset(v, curves, limit, middle), _log_onset(v, whole, each_limit, middle), m,
             _mean_square([drawn]), (*shares, float("nan"), onset_note)),
        _row(f"extrapolation, exponent {exponent:g}", line, _extrapolate(v, whole, each_floor, exponent, window), m,
             _mean_square(shifts) + _mean_square([rounding]), (*shares, exponent, line_note)),
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _notes(limit: float, tail: float | None, rounding: _Edges, exponent: float, resolution_V: float) -> tuple[str, str]:
    """What limits the two definitions, in words."""
    onset = f"limit {limit:.1e} of the ends; reads low: "
    onset += f"the thermal tail may bring each edge in by up to {1e3 * tail:.0f} meV, " if tail is not None else ""
    onset += "smoothing by half of its width"
    line = "straight above the edge assumed"
    if exponent != 1 and resolution_V > 0:
        line += f"; the resolution moves it by about {1e3 * float(_gap(rounding)[0]):+.0f} meV, counted as uncertainty"
    return onset, line


def _floor_doubt(v: Array, each: Array, middle: tuple[float, float], ends: float) -> str:
    """Why what lies at the minimum may be no floor ("" if it is one).

    The slope of dI/dV (m, n) from the middle outwards is zero in a gap. A parabola that leaves the band of the floor at
    the distance d (the middle is half of that) has a slope of half of FLOOR_BAND · ends/d there, a V twice as much.
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


def _floor(v: Array, curves: Array, middle: tuple[float, float], reach: float) -> tuple[Array, Array]:
    """Floor of every curve (r, n), and the limit that its points keep below."""
    part = curves[:, (v >= middle[0]) & (v <= middle[1])]
    floor = part.mean(axis=1)
    scatter = np.maximum(part.std(axis=1, ddof=1), 1e-4 * curves.max(axis=1))
    return floor, np.maximum(floor, 0) + reach * scatter


def _gap_middle(v: Array, mean: Array, ends: float) -> tuple[float, float] | None:
    """The part of the axis around zero in which dI/dV lies at its floor, or None if there is no gap."""
    smooth = np.convolve(mean, np.ones(5) / 5, mode="same")
    near = np.abs(v) < NEAR * min(-v[0], v[-1])
    bottom = np.quantile(smooth[near], 0.15)
    if not ends > 0 or ends < LEAST_CONTRAST * max(bottom, 0):
        return None
    low = smooth < max(bottom, 0) + FLOOR_BAND * ends
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
        found.append(sign * _rises_for_good(x, y, limit))
    return _Edges(found[0], found[1])


def _rises_for_good(x: Array, y: Array, limit: Array) -> Array:
    """Where each row of y (r, k) rises above `limit` (r,) for good, between points by straight lines in ln y."""
    ratio = np.maximum(np.log(np.maximum(y, 1e-300) / limit[:, None]), -5.0)
    below = ratio < 0
    last = below.shape[1] - 1 - np.argmax(below[:, ::-1], axis=1)
    found = crossing(x, ratio, np.zeros(len(y)), np.minimum(last + 1, x.size - 1), last)
    return np.where(below.any(axis=1), found, x[0])


def _window(
    v: Array, mean: Array, floor: float, exponent: float, middle: tuple[float, float], shares: tuple[float, float]
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """The points (n,) on either side that are extrapolated: one stretch, chosen on the mean smoothed over a fortieth of them.

    It ends where the curve first exceeds the upper share of its value at the end of the axis, and begins where it
    last was below the lower one before.
    """
    smooth = uniform_filter1d(mean, max(3, v.size // 40), mode="nearest")
    found = []
    for outward in (v < middle[0], v > middle[1]):
        where = np.flatnonzero(outward)
        where = where[np.argsort(np.abs(v[where]))]
        y = np.maximum(smooth[where] - max(floor, 0.0), 0.0) ** (1 / exponent)
        share = y / max(float(np.median(y[-max(3, y.size // 10) :])), 1e-300)
        above = share > shares[1]
        stop = int(np.argmax(above)) if above.any() else share.size
        low = np.flatnonzero(share[:stop] < shares[0])
        use = np.zeros(v.size, bool)
        use[where[(low[-1] + 1 if low.size else 0) : stop]] = True
        found.append(use)
    return found[0], found[1]


def _extrapolate(
    v: Array, curves: Array, floor: Array, exponent: float, window: tuple[NDArray[np.bool_], NDArray[np.bool_]]
) -> _Edges:
    """Edges (r,) of every curve (r, n); one window for all, so that the window's choice is not noise."""
    found = []
    for use in window:
        x = v[use]
        y = np.maximum(curves[:, use] - np.maximum(floor, 0.0)[:, None], 0.0) ** (1 / exponent)
        if x.size < 3:
            found.append(np.full(len(curves), np.nan))
            continue
        dx = x - x.mean()
        slope = (y @ dx) / (dx @ dx)
        rising = slope * np.sign(x[-1]) > 0
        found.append(np.where(rising, x.mean() - y.mean(axis=1) / np.where(rising, slope, 1.0), np.nan))
    return _Edges(found[0], found[1])


def _rounding(
    v: Array, edges: _Edges, window: tuple[NDArray[np.bool_], NDArray[np.bool_]], exponent: float, resolution_V: float
) -> _Edges:
    """By how much the resolution moves the extrapolated edges (1,)."""
    if exponent == 1 or not resolution_V > 0:
        return _Edges(np.zeros(1), np.zeros(1))
    variance = (resolution_V * np.pi / 3**0.5 / THERMAL_WIDTH_FACTOR) ** 2  # as the thermal kernel has it
    moved = []
    for use, edge, sign in zip(window, (edges.lower[0], edges.upper[0]), (-1, 1), strict=True):
        x = np.maximum(sign * (v[use] - edge), resolution_V)
        moved.append(
            -sign * np.polynomial.Polynomial.fit(x, variance * (exponent - 1) / (2 * x), 1)(0.0)
            if x.size >= 3
            else np.nan
        )
    return _Edges(np.array([moved[0]]), np.array([moved[1]]))


def _mean_square(shifts: list[_Edges]) -> Array:
    """Of gap, lower and upper edge over the shifts, (3,)."""
    return np.asarray(np.mean([[part(shift)[0] ** 2 for part in (_gap, _lower, _upper)] for shift in shifts], axis=0))


def _row(
    method: str, edges: _Edges, each: _Edges, repeats: int, systematic: Array, rest: tuple[Any, ...]
) -> dict[str, Any]:
    """A row of the table: value, uncertainty (scatter of resamples and `systematic` variances, (3,)), single sweeps."""
    columns = []
    for part, variance in zip((_gap, _lower, _upper), systematic, strict=True):
        value = part(edges)
        scatter = np.nanvar(value[1:], ddof=1) * repeats / (repeats - 1) if value.size > 3 else np.nan
        columns += [float(value[0]), float(np.sqrt(scatter + variance))]
    alone = _gap(each)
    alone = alone[np.isfinite(alone)]
    quantiles = np.quantile(alone, [0.5, 0.16, 0.84]) if alone.size else np.full(3, np.nan)
    values = (method, columns[0] * 1e3, columns[1] * 1e3, *columns[2:], *rest, alone.size, *quantiles * 1e3)
    return dict(zip(COLUMNS, values, strict=True))


def _gap(edges: _Edges) -> Array:
    return np.asarray(edges.upper - edges.lower)


def _lower(edges: _Edges) -> Array:
    return edges.lower


def _upper(edges: _Edges) -> Array:
    return edges.upper


def _nothing(exponent: float, why: str) -> pd.DataFrame:
    nan = float("nan")
    row = ("", *[nan] * 8, exponent, why, 0, nan, nan, nan)
    return pd.DataFrame([dict(zip(COLUMNS, row, strict=True))])
