"""Zero of bias and of current from a gap whose two flanks mirror each other, as a superconductor's do."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sts.curves.averaging import unit_means
from sts.curves.distributions import student_quantile
from sts.curves.electronics import find_saturation
from sts.curves.replicates import direction_signs, repeats_among
from sts.curves.smoothing import Smoother
from sts.quantities import with_prefix
from sts.spectra.half_difference import half_differences
from sts.spectra.junction_temperature import junction_temperature
from sts.spectra.smoothing_width import choose_smoother
from sts.sweeps import SweepSet

Array = NDArray[np.float64]

WARMEST_K = 20.0  # above it no such gap is looked for (as `features.superconductor_below_K`)
FEWEST_REPEATS = 4
FEWEST_POINTS = 30
WIDEST_V = 0.06  # of a shoulder from the middle: beyond that a gap need not be one about zero bias (common practice, no source)
LEAST_DEPTH = 0.25  # of the level beside the dip, by which dI/dV must fall in the middle
LEAST_SHOULDER = 0.02  # of that level, by which both shoulders must rise above it
CLEAR = 5.0  # standard uncertainties that depth and shoulders must have
SURE = 1e-2  # how often an even spectrum is called uneven
FINEST = 0.1  # of the distance of the shoulders, which the uncertainty must stay below
ROUNDS = 12
WARM = f"no symmetry is asked of a spectrum above {WARMEST_K:g} K or of unknown temperature"


@dataclass(frozen=True)
class Mirror:
    """Zero of bias [V] and of current [A] about which a gap is its own mirror image, with standard uncertainties."""

    bias_V: float
    bias_se_V: float
    current_A: float
    current_se_A: float
    repeats: int


def mirror_zero(sets: Sequence[SweepSet]) -> Mirror | str:
    """The zero of bias and current from the symmetry of a gap with shoulders, or why it cannot be told so.

    Parameters
    ----------
    sets : sequence of SweepSet
        I(V) sweeps of one sample and tip, with one setting of the electronics.

    Notes
    -----
    A superconductor's dI/dV is even in bias, so that S(v) = I(V0 + v) + I(V0 - v) is 2 I0 at every v. Evenness alone would be
    fooled: any parabola is even about some bias, and with a slope added about another one. V0 is therefore fitted together with
    1, v² and v⁴ (what a background that is odd in dI/dV makes of S) and with ∫v g dv (a background by which dI/dV is
    multiplied), and moves S by twice the even part of dI/dV: what is left of that beyond these columns is the flanks of the gap,
    and of a parabola nothing is left. A V-shape, or a gap between bands, is even about its own middle, which need not be zero
    bias: so a dip with two shoulders is asked for, within 60 mV, at 20 K or less, and S must be level within the scatter of the
    repeats. The uncertainty is that scatter (own choice, proved by simulation).
    """
    temperatures = [junction_temperature(part.table).value for part in sets]
    if not all(0 < t <= WARMEST_K for t in temperatures):
        return WARM
    bias, rows = _fullest(sets)
    if len(rows) < FEWEST_REPEATS or bias.size < FEWEST_POINTS:
        return f"the symmetry of a gap needs {FEWEST_REPEATS} repeats and {FEWEST_POINTS} points"
    mean = rows.mean(axis=0)
    level = rows @ mean / max(float(mean @ mean), np.finfo(float).tiny)
    if not ((level > 0.1) & (level < 10)).all():
        return "its repeats are not of one curve"
    smoother = choose_smoother(bias, rows, temperature_K=temperatures[0])[0]
    found = _centre(bias, smoother.apply(rows), level, smoother)
    if isinstance(found, str):
        return found
    centre, fit = found
    words = _shoulders(bias, smoother.differentiate(rows) / level[:, None], centre, fit, smoother)
    return words or Mirror(centre, fit.bias_se_V, fit.current_A, fit.current_se_A, len(rows))


@dataclass(frozen=True, eq=False)
class _Fit:
    """One step of the fit about a bias: what is to be added to it, and what S says there."""

    distance: Array  # (k,) v [V]
    step_V: float
    bias_se_V: float
    current_A: float
    current_se_A: float
    worst: float  # largest of what is left of S, in standard uncertainties of the mean


def _fullest(sets: Sequence[SweepSet]) -> tuple[Array, Array]:
    """Bias and currents of the repeats of the set with most of them, without saturated samples, directions balanced."""
    best = np.zeros(0), np.zeros((0, 0))
    for part in sets:
        live = part.table["setpoint_current_A"].to_numpy(float) != 0
        current = np.where(find_saturation(part.current, full_scale=part.table["full_scale_A"]), np.nan, part.current)
        there = np.isfinite(current[live]).all(axis=0) if live.any() else np.zeros(part.axis.size, bool)
        if not live.any() or there.sum() < FEWEST_POINTS:
            continue
        own = part.select(live)
        repeats = repeats_among(part.table, part.kind, live)
        signs = direction_signs(own.table, own.kind)
        kept = current[live][:, there]
        halves, _ = half_differences(kept, signs, repeats)
        even = kept - signs[:, None] * halves.mean(axis=0) if len(halves) else kept
        rows = unit_means(even, repeats)
        if len(rows) > len(best[1]):
            best = part.axis[there], rows
    return best


def _centre(bias: Array, rows: Array, level: Array, smoother: Smoother) -> tuple[float, _Fit] | str:
    """The bias about which the currents (r, n) are odd but for a constant, by Gauss and Newton from the middle of the dip."""
    mean = rows.mean(axis=0)
    slope = np.gradient(mean, bias)
    inner = ~smoother.one_sided
    if inner.sum() < FEWEST_POINTS or not bias[inner][0] < 0 < bias[inner][-1]:
        return "there are too few points on both sides of zero bias"
    from scipy.interpolate import CubicSpline  # slow to import, and wanted only here

    curves = CubicSpline(bias, rows, axis=1)
    v = bias[inner]
    middle = float(v[int(np.argmin(np.where(np.abs(v) < 0.5 * min(-v[0], v[-1]), slope[inner], np.inf)))])
    best: tuple[float, _Fit] | None = None
    for start in middle + np.array([-2.0, -1.0, 0.0, 1.0, 2.0]) * smoother.width:
        centre, fit = float(start), None
        for _ in range(ROUNDS):
            fit = _about(curves, (v[0], v[-1]), centre, level, float(np.median(np.diff(bias))), smoother.width)
            if fit is None:
                break
            centre += float(np.clip(fit.step_V, -smoother.width, smoother.width))
            if abs(fit.step_V) < 1e-3 * fit.bias_se_V:
                break
        if fit is None or not abs(fit.step_V) < 0.1 * fit.bias_se_V:
            continue
        if best is None or fit.worst < best[1].worst:
            best = centre, fit
    return best or "its dI/dV is even about no bias"


def _about(
    curves: Any, ends: tuple[float, float], centre: float, level: Array, step: float, width: float
) -> _Fit | None:
    """The fit about one bias; None where too little of the sweep lies on both sides of it."""
    reach = min(centre - ends[0], ends[1] - centre)
    v = np.arange(step / 2, reach, step)
    if v.size < FEWEST_POINTS // 2:
        return None
    total = curves(centre + v) + curves(centre - v)
    even = ((curves(centre + v, 1) + curves(centre - v, 1)).mean(axis=0)) / 2
    x = v / reach
    multiplied = np.cumsum(v * even) * step
    columns = np.column_stack([np.ones(v.size), x**2, x**4, multiplied / np.max(np.abs(multiplied)), even])
    design = columns / np.sqrt((columns**2).mean(axis=0))
    inverse = np.linalg.pinv(design)
    each = total @ inverse.T / np.sqrt((columns**2).mean(axis=0))  # (r, 5) coefficients of every repeat
    left = total - total @ (design @ inverse).T
    count = len(level)
    steps = -each[:, 4] / 2 / level
    currents = each[:, 0] / 2
    error = left.std(axis=0, ddof=1) / np.sqrt(count)
    pooled = np.sqrt(np.convolve(error**2, np.ones(5) / 5, mode="same"))
    worst = float(np.max(np.abs(left.mean(axis=0))[2:-2] / np.maximum(pooled[2:-2], np.finfo(float).tiny)))
    return _Fit(
        v, float(steps.mean()), float(steps.std(ddof=1) / np.sqrt(count)), float(currents.mean()),
        float(currents.std(ddof=1) / np.sqrt(count)), worst / _limit(count, reach / width),
    )  # fmt: skip


def _limit(count: int, tries: float) -> float:
    """Standard uncertainties that the largest of so many independent ones stays within."""
    return float(student_quantile(1 - SURE / 2 / max(tries, 1.0), count - 1))


def _shoulders(bias: Array, didv: Array, centre: float, fit: _Fit, smoother: Smoother) -> str:
    """Why this is no gap with two shoulders that mirror each other; "" where it is."""
    if fit.worst > 1:
        return "its dI/dV is not even about any bias within the scatter of its repeats"
    mean, error = didv.mean(axis=0), didv.std(axis=0, ddof=1) / np.sqrt(len(didv))
    noise = float(np.median(error[~smoother.one_sided]))
    v = fit.distance
    right, left = np.interp(centre + v, bias, mean), np.interp(centre - v, bias, mean)
    outer = [float(np.median(side[v > 0.8 * v[-1]])) for side in (right, left)]
    least = float(np.mean(outer))
    fall = least - float(np.mean([right[0], left[0]]))
    if not least > 0 or fall < max(LEAST_DEPTH * least, CLEAR * noise):
        return "it has no dip that is deep enough"
    inner = v < 0.8 * v[-1]
    tops = [float(np.max(side[inner])) for side in (right, left)]
    places = [float(v[inner][int(np.argmax(side[inner]))]) for side in (right, left)]
    if any(top < (1 + LEAST_SHOULDER) * end + CLEAR * noise for top, end in zip(tops, outer, strict=True)):
        return "its dip has no two shoulders: dI/dV goes on rising outward, so that its middle need not be zero bias"
    if max(places) > WIDEST_V:
        return f"its shoulders are {with_prefix(max(places), 'V')} from its middle, which need not be zero bias then"
    if abs(places[0] - places[1]) > max(smoother.width, 0.2 * max(places)):
        return "its two shoulders do not mirror each other"
    if not 0 < fit.bias_se_V < FINEST * min(places):
        return "its flanks do not tell its middle"
    return ""
