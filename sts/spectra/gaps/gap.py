"""The gap of a spectrum: where its bands begin by a fit of their forms, and where ln(dI/dV) leaves the floor.

The two differ by physics, not by error: thermal tail and smoothing bring the logarithmic onset in, a slow rise lets it out. So
the fit is the gap between bands, and the onset an interval that holds it.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sts.curves.averaging import unit_means
from sts.curves.crossings import crossing
from sts.curves.distributions import NORMAL_95, wider_of_few
from sts.curves.resampling import resampled_counts
from sts.quantities import BOLTZMANN_EV, thermal_width
from sts.spectra.gaps.band_forms import Blur
from sts.spectra.gaps.edge_fit import NO_FORM_P, Curves, Edge, fit_edge
from sts.spectra.gaps.floors import NEAR, Floor, find_floor, floor_doubt, level_at_ends

Array = NDArray[np.float64]

COLUMNS = (
    "gap_method", "gap_meV", "gap_se_meV", "gap_low_meV", "gap_high_meV", "lower_edge_V", "lower_edge_se_V",
    "upper_edge_V", "upper_edge_se_V", "floor", "floor_to_edge", "exponent", "note",
    "each_found", "each_median_meV", "each_low_meV", "each_high_meV",
)  # fmt: skip
BANDS, ONSET = "band edges", "log onset"
FLOOR_SD = 4.0  # how far above the floor, in its standard deviations, counts as having left it
CLEAR = (4.0, 6.0)  # of its standard uncertainties that a gap has; where noise hides whether the floor is flat
LET_OUT = 1.25  # for bands that bend upwards
RESAMPLES = 400


def gap_edges(
    bias: Any,
    didv_each: Any,
    *,
    units: Any = None,
    temperature_K: float = float("nan"),
    resolution_V: float = float("nan"),
    blur: Blur | None = None,
    exponent: float | None = None,
    seed: int = 0,
) -> pd.DataFrame:
    """Edges of the gap around zero bias by both definitions, with uncertainties from the scatter between units.

    Parameters
    ----------
    bias : array_like, shape (n,)
        Ascending [V].
    didv_each : array_like, shape (m, n)
        Smoothed dI/dV of every repeat.
    units : array_like of int, shape (m,), optional
        The site or tip of each repeat, if these are what scatters; each repeat for itself if not given.
    temperature_K : float
        For the thermal tail.
    resolution_V : float
        Energy resolution, full width at half height [V].
    blur : Blur, optional
        What broadens dI/dV; a Gaussian that makes up the resolution beside the temperature if not given.
    exponent : float, optional
        p of the bands, dI/dV ∝ (|V| - edge)^p, if it is known: 0 for steps, 0.5 square-root, 1 linear. Else the data choose.
    seed : int
        Of the resampling of units.

    Returns
    -------
    pandas.DataFrame
        One row per definition, `COLUMNS`; a single row with NaN and the reason in `note` where there is no gap, or where noise
        is too large to tell a gap from a V or a parabola. `each_...` is the same read off each repeat alone: how many have
        it, the median, and the quantiles that hold the middle 68 %.

    Notes
    -----
    A gap has a flat floor: the slope of dI/dV against the distance from its middle is tested on every repeat, against
    that of a parabola through the same points.
    *band edges*: see `sts.spectra.edge_fit.fit_edge`. The uncertainty holds the scatter between units and the
    spread between the forms that fit; twice the uncertainty is the interval of 95 %, by Student's t for the units. Of fewer than
    three units it is that of the noise of the points.
    *log onset*: the floor is the mean in the middle of the gap; an edge is where ln(dI/dV) leaves the floor's limit
    (floor + 4 standard deviations of its points) for good. Smoothing and thermal tail bring this edge in, the tail by
    up to kT ln 10 for every decade between edge and floor; a band that rises as a parabola lets it out, by 1.25 times
    the root of limit over ends of its length. The interval holds both, and the scatter, of bootstrap samples of
    units (B. Efron, Ann. Stat. 7, 1, 1979), times m/(m - 1) in variance.
    """
    v = np.asarray(bias, float)
    each = np.atleast_2d(np.asarray(didv_each, float))
    full = np.isfinite(each).any(axis=1)
    codes = np.arange(len(each)) if units is None else np.asarray(units)
    each, codes = each[full], np.unique(codes[full], return_inverse=True)[1].astype(np.int64)
    there = np.isfinite(each).any(axis=0)  # a limit that every sweep reached is no part of the curve
    v, each = v[there], each[:, there]
    if each.size == 0 or not (np.abs(v) < NEAR * min(-v[0], v[-1])).any():
        return _nothing("the axis does not reach to both sides of zero bias")
    each = np.where(np.isfinite(each), each, np.nanmean(each, axis=0))  # a missing sample must not pull to zero
    mean = each.mean(axis=0)
    ends = level_at_ends(mean)
    floor = find_floor(v, mean, ends)
    if floor is None:
        return _nothing("no gap around zero bias: dI/dV does not fall to a floor there")
    doubt = floor_doubt(v, each, floor.middle, ends)
    if doubt.startswith("no gap"):
        return _nothing(doubt)
    if blur is None:
        rest = resolution_V**2 - (thermal_width(temperature_K) ** 2 if temperature_K > 0 else 0.0)
        blur = Blur(temperature_K if temperature_K > 0 else 0.0, gaussian_V=float(rest) ** 0.5 if rest > 0 else 0.0)
    bands, why = _bands(v, (each, codes), floor, blur, exponent)
    if why or not bands["gap_meV"] > CLEAR[bool(doubt)] * bands["gap_se_meV"]:
        return _nothing(doubt or why or _too_small(bands))
    if bands["gap_meV"] < 1e3 * resolution_V:
        return _nothing(
            f"cannot tell whether there is a gap: it would be narrower than the resolution, {1e3 * resolution_V:.3g} meV"
        )
    onset, level = _onset(v, (each, codes), floor.middle, ends, (temperature_K, resolution_V), seed)
    rows = [
        row | {"floor": level, "floor_to_edge": level / ends}
        for row in (onset, bands)
        if np.isfinite(row["gap_se_meV"])
    ]
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _bands(
    v: Array, repeats: tuple[Array, NDArray[np.int64]], floor: Floor, blur: Blur, exponent: float | None
) -> tuple[dict[str, Any], str]:
    """The row of the fitted edges, or why there is none."""
    each, codes = repeats
    found = [fit_edge(side, blur, exponent=exponent) for side in sides_of(v, each, codes, (floor, blur))]
    lower, upper = found
    if lower is None or upper is None:
        return {}, "cannot tell whether there is a gap: dI/dV rises from its floor like no band"
    gap = lower.place + upper.place
    u = [_uncertainty(*part) for part in ((lower, upper), (lower,), (upper,))]
    both = {p: (lower.weights.get(p, 0.0) + upper.weights.get(p, 0.0)) / 2 for p in lower.weights | upper.weights}
    row = {
        "gap_method": BANDS if exponent is None else f"{BANDS}, exponent {exponent:g}",
        "gap_meV": 1e3 * gap, "gap_se_meV": 1e3 * u[0],
        "gap_low_meV": 1e3 * (gap - NORMAL_95 * u[0]), "gap_high_meV": 1e3 * (gap + NORMAL_95 * u[0]),
        "lower_edge_V": -lower.place, "lower_edge_se_V": u[1], "upper_edge_V": upper.place, "upper_edge_se_V": u[2],
        "exponent": max(both, key=lambda p: both[p]), "note": _form_words(both, lower, upper, exponent, len(each)),
    }  # fmt: skip
    return row | _alone(lower.each + upper.each), ""


def sides_of(
    v: Array, each: Array, codes: NDArray[np.int64], known: tuple[Floor, Blur], beside: Array | None = None
) -> list[Curves]:
    """The points below and above a gap that its edges are fitted to, from the floor outwards.

    Parameters
    ----------
    v : numpy.ndarray, shape (n,)
        [V].
    each : numpy.ndarray, shape (m, n)
        dI/dV.
    codes : numpy.ndarray of int, shape (m,)
        The unit that each is of.
    known : (Floor, Blur)
    beside : numpy.ndarray, shape (s, n), optional
        Curves that are to be read, too.
    """
    floor, blur = known
    beside = np.empty((0, v.size)) if beside is None else beside
    margin = blur.smoothing[0][-1] / 2 if blur.smoothing is not None else 0.0  # one-sided fits at the ends
    sides = []
    for sign, use in ((-1, floor.lower), (1, floor.upper)):
        use = use & (sign * v <= abs(v[-1 if sign > 0 else 0]) - margin)
        order = np.flatnonzero(use)[::sign]
        sides.append(Curves(sign * v[order], each[:, order], codes, beside[:, order]))
    return sides


def _too_small(row: dict[str, Any]) -> str:
    return (
        f"cannot tell whether there is a gap: {row['gap_meV']:.0f} ± {2 * row['gap_se_meV']:.0f} meV between bands with "
        f"{row['note'].partition(';')[0]}"
    )


def _uncertainty(*edges: Edge) -> float:
    """Of the sum of edges [V]; what the forms leave open adds up, since both bands are apt to have the same form."""
    units = np.sum([edge.influence for edge in edges], axis=0)
    m = units.size
    if m >= 3:
        scatter = float(units.std(ddof=1)) / np.sqrt(m) * wider_of_few(m)
    else:
        scatter = float(np.linalg.norm([edge.noise for edge in edges]))
    return float(np.linalg.norm([scatter, sum(edge.spread for edge in edges), *[edge.sampling for edge in edges]]))


def _form_words(both: dict[float, float], lower: Edge, upper: Edge, exponent: float | None, repeats: int) -> str:
    """Which form of bands the gap rests on."""
    if exponent is None:
        shares = [f"{p:g} ({100 * w:.0f} %)" for p, w in sorted(both.items(), key=lambda item: -item[1]) if w > 0.02]
        words = (
            f"exponent {' or '.join(shares)}" if len(shares) > 1 else f"exponent {max(both, key=lambda p: both[p]):g}"
        )
    else:
        words = f"exponent {exponent:g} set in the plan"
    if min(lower.p, upper.p) < NO_FORM_P:
        words += "; no form fits within the noise, counted as uncertainty"
    if lower.influence.size < 3:
        words += f"; {repeats} repeat{'s' if repeats > 1 else ''}: uncertainty from the noise of the points only"
    return words


def _alone(gaps: Array) -> dict[str, Any]:
    """What repeats say one by one."""
    alone = gaps[np.isfinite(gaps)] * 1e3
    middle, low, high = np.quantile(alone, [0.5, 0.16, 0.84]) if alone.size else np.full(3, np.nan)
    return {"each_found": alone.size, "each_median_meV": middle, "each_low_meV": low, "each_high_meV": high}


def _onset(
    v: Array,
    repeats: tuple[Array, NDArray[np.int64]],
    middle: tuple[float, float],
    ends: float,
    known: tuple[float, float],
    seed: int,
) -> tuple[dict[str, Any], float]:
    """The row of the logarithmic onset, and the floor."""
    each, codes = repeats
    temperature, resolution = known
    unit = unit_means(each, codes)
    m = len(unit)
    weights = resampled_counts(m, RESAMPLES if m >= 3 else 0, seed) / m
    curves = np.concatenate([each.mean(axis=0)[None], weights @ unit])
    floor, limit = _floor(v, curves, middle)
    limit = np.maximum(floor, 0) + (limit[0] - max(floor[0], 0))  # the scatter of one curve for all resamples
    tail = BOLTZMANN_EV * temperature * np.log(max(ends / limit[0], 1.0)) if temperature > 0 else 0.0
    drawn_in = tail + (resolution / 2 if resolution > 0 else 0.0)
    lower, upper = _log_onset(v, curves, limit, middle)
    let_out = LET_OUT * np.sqrt(min(limit[0] / ends, 1.0)) * np.array([lower[0] - v[0], v[-1] - upper[0]])
    wider = wider_of_few(m) * np.sqrt(m / (m - 1)) if m >= 3 else np.nan
    u = [wider * float(np.nanstd(part[1:], ddof=1)) if m >= 3 else np.nan for part in (upper - lower, lower, upper)]
    gap, spread = upper[0] - lower[0], NORMAL_95 * u[0]
    note = (
        f"limit {limit[0] / ends:.1e} of the ends; bands may begin {1e3 * drawn_in:.0f} meV further out on either side at most "
        f"({'thermal tail and ' if tail > 0 else ''}smoothing), or {1e3 * let_out.max():.0f} meV further in if they rise slowly"
    )
    row = {
        "gap_method": ONSET, "gap_meV": 1e3 * gap, "gap_se_meV": 1e3 * u[0],
        "gap_low_meV": 1e3 * (gap - spread - let_out.sum()), "gap_high_meV": 1e3 * (gap + spread + 2 * drawn_in),
        "lower_edge_V": lower[0], "lower_edge_se_V": u[1], "upper_edge_V": upper[0], "upper_edge_se_V": u[2],
        "exponent": np.nan, "note": note,
    }  # fmt: skip
    low, high = _log_onset(v, each, _floor(v, each, middle)[1], middle)
    return row | _alone(high - low), float(floor[0])


def _floor(v: Array, curves: Array, middle: tuple[float, float]) -> tuple[Array, Array]:
    """Floor of every curve (r, n), and the limit that its points keep below."""
    part = curves[:, (v >= middle[0]) & (v <= middle[1])]
    floor = part.mean(axis=1)
    scatter = np.maximum(part.std(axis=1, ddof=1), 1e-4 * curves.max(axis=1))
    return floor, np.maximum(floor, 0) + FLOOR_SD * scatter


def _log_onset(v: Array, curves: Array, limit: Array, middle: tuple[float, float]) -> tuple[Array, Array]:
    """Lower and upper edge of every curve (r, n)."""
    found = []
    for sign in (-1, 1):
        outward = v > middle[1] if sign > 0 else v < middle[0]
        x = np.abs(v[outward])
        order = np.argsort(x)
        x, y = x[order], curves[:, outward][:, order]
        found.append(sign * _rises_for_good(x, y, limit))
    return found[0], found[1]


def _rises_for_good(x: Array, y: Array, limit: Array) -> Array:
    """Where each row of y (r, k) rises above `limit` (r,) for good, between points by straight lines in ln y."""
    ratio = np.maximum(np.log(np.maximum(y, 1e-300) / limit[:, None]), -5.0)
    below = ratio < 0
    last = below.shape[1] - 1 - np.argmax(below[:, ::-1], axis=1)
    found = crossing(x, ratio, np.zeros(len(y)), np.minimum(last + 1, x.size - 1), last)
    return np.where(below.any(axis=1), found, x[0])


def _nothing(why: str) -> pd.DataFrame:
    return pd.DataFrame(
        [dict.fromkeys(COLUMNS, np.nan) | {"gap_method": "", "note": why, "each_found": 0}], columns=list(COLUMNS)
    )
