"""Peaks of a spectrum: position, width and area, each with an uncertainty from the scatter between sweeps."""

from __future__ import annotations

import warnings
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation

from sts.curves.crossings import crossing, ends_above
from sts.curves.distributions import wider_of_few
from sts.curves.electronics import noise_level
from sts.curves.resampling import resampled_counts
from sts.curves.smoothing import Smoother
from sts.spectra.peak_noise import error_of_curve, error_of_difference, error_of_units, threshold

Array = NDArray[np.float64]

COLUMNS = (
    "position_V", "position_se_V", "width_V", "width_se_V", "height", "area", "area_se", "flag", "maximum_V",
)  # fmt: skip
RESAMPLES = 200
_FLANK = (1.3, 2.0)  # where the background is read on either side, in widths from the peak
_ROUNDS = 3  # of peak and background in turn
_ENDS = 2  # points next to those fitted from one side, where their line begins with a kink


def find_peaks(
    bias: Any, didv_each: Any, *, resolution_V: float = float("nan"), significance: float = 5.0, seed: int = 0,
    noise: Any = None, one_sided: Any = None, difference: Any = None,
) -> pd.DataFrame:  # fmt: skip
    """Find the peaks that stand out from the noise.

    Parameters
    ----------
    bias : array_like, shape (n,)
        Ascending [V].
    didv_each : array_like, shape (m, n)
        Smoothed dI/dV of every unit of the bands (repeat, site or tip).
    resolution_V : float
        Energy resolution; a peak no wider than 1.1 times it is flagged.
    significance : float
        Prominence, and height above the background, in standard errors of the mean that a peak needs.
    seed : int
    noise : array_like, shape (r, n), optional
        Curves of the noise that the mean of one or two repeats has, from their point noise; without it they have no peaks.
    one_sided : array_like of bool, shape (n,), optional
        Where dI/dV is fitted from one side only: no peak is told there, nor where it begins.
    difference : array_like, shape (n,), optional
        Of a single repeat, half of what its directions differ by, without what is explained: noise as large as its own.

    Returns
    -------
    pandas.DataFrame
        `COLUMNS`, one row per peak by position. `position_V` is the maximum of the peak above its background, `maximum_V` that
        of dI/dV itself, which a slope moves; `height` is above the background, `width_V` the full width at half of it, `area`
        what lies above it within one such width on either side (98 % of a Gaussian, 70 % of a Lorentzian), in the unit of dI/dV
        times volt. Width and height are those of dI/dV as it was smoothed.

    Notes
    -----
    The background is the straight line through the means of dI/dV between 1.3 and 2 widths on either side. Position by a
    parabola through the points within a quarter of the width, crossings of half height by straight lines between points.
    Uncertainties by bootstrap over whole units, times m/(m - 1) in variance and with Student's t (twice one is the interval
    of 95 %); of one or two repeats by curves of point noise, made as large as the noise that these differ by, or the directions
    of one, or else the curve scatters by itself (`sts.spectra.peak_noise`). A peak's errors are those at its place, pooled
    over bias, and it needs more of them where they rest on few degrees of freedom. Uncertainties of position, width and area
    hold a twentieth of a step too, for what lies between points.
    """
    v = np.asarray(bias, float)
    each = np.atleast_2d(np.asarray(didv_each, float))
    there = np.isfinite(each).any(axis=0)  # a hole counted as zero would have peaks on both sides
    v, each = v[there], each[:, there]
    m = len(each)
    drawn = None if noise is None else np.atleast_2d(np.asarray(noise, float))[:, there]
    if (m < 3 and drawn is None) or v.size < 7:
        return pd.DataFrame({c: pd.Series(dtype=float) for c in COLUMNS})
    mean = np.nanmean(each, axis=0)
    each = np.where(np.isfinite(each), each, mean)
    step = float(np.median(np.diff(v)))
    points_wide = resolution_V / step if np.isfinite(resolution_V) and resolution_V > 0 else 4.0
    if m < 3 and drawn is not None:
        apart = (
            (each[0] - each[1]) / 2 if m == 2 else None if difference is None else np.asarray(difference, float)[there]
        )
        if apart is None or not np.isfinite(apart).all():
            error, freedom = error_of_curve(v, mean, drawn, points_wide)
        else:
            error, freedom = error_of_difference(v, mean, apart, drawn, points_wide)
        curves, few = mean + drawn * (error / np.maximum(drawn.std(axis=0), 1e-300)), 1.0
    else:
        error, freedom = error_of_units(each, points_wide)
        curves = resampled_counts(m, RESAMPLES, seed) / m @ each
        few = (m / (m - 1)) ** 0.5 * wider_of_few(m)
    error = np.maximum(error, np.median(error))  # less than that is known of no place: it scatters itself
    least: Array = np.maximum(threshold(significance, freedom) * error, 1e-12 * float(np.ptp(mean)))
    if not may_have_peaks(mean, float(least.min())):
        return pd.DataFrame(columns=list(COLUMNS))
    from scipy import signal  # slow to import, and wanted only where a peak may be

    found, _ = signal.find_peaks(mean, prominence=least)
    if one_sided is not None:
        near_ends = binary_dilation(np.asarray(one_sided, bool)[there], iterations=_ENDS)
        found = found[~near_ends[found]]
    curves = np.concatenate([mean[None], curves])
    wide = signal.peak_widths(mean, found, rel_height=0.5)[0] * step
    lines = step / 20
    rows = []
    for peak, about in zip(found.tolist(), wide.tolist(), strict=True):
        others = v[found[found != peak]]
        position, width, height, area = _above_background(v, curves, v[peak], about, others)
        if not height[0] >= least[peak]:  # a bump of the noise on a shoulder: only the shoulder stands out
            continue
        se = [float(np.nanstd(a[1:], ddof=1)) * few for a in (position, width, area)]
        narrow = np.isfinite(resolution_V) and width[0] <= 1.1 * resolution_V
        flag = "no wider than the resolution" if narrow else ""
        top, _, _ = _measure(v, mean[None], peak, np.zeros(1), about)
        rows.append(
            (position[0], np.hypot(se[0], lines), width[0], np.hypot(se[1], lines), height[0], area[0],
             np.hypot(se[2], height[0] * lines), flag, top[0])
        )  # fmt: skip
    return pd.DataFrame(rows, columns=list(COLUMNS)).sort_values("position_V", ignore_index=True)


def peaks_of_each(bias: Array, each: Array, peaks: pd.DataFrame, noise: Array) -> tuple[Array, ...]:
    """Position [V], width [V] and height of one peak in each of some curves, and their standard uncertainties, (m,) each.

    Parameters
    ----------
    bias : numpy.ndarray, shape (n,)
        Ascending [V].
    each : numpy.ndarray, shape (m, n)
        dI/dV.
    peaks : pandas.DataFrame
        As `find_peaks` gave them for the mean: the peak first, then those beside it.
    noise : numpy.ndarray, shape (r, n)
        Curves of the noise of one of the curves.

    Returns
    -------
    tuple of numpy.ndarray
        NaN where a curve has its maximum further than half a width from the peak.
    """
    at, about = (float(peaks[name].iloc[0]) for name in ("maximum_V", "width_V"))
    others = peaks["maximum_V"].to_numpy(float)[1:]
    found = []
    for row in np.concatenate([each, each.mean(axis=0) + noise]):  # each by its own maximum
        position, width, height, _ = _above_background(bias, row[None], at, about, others)
        found.append((position[0], width[0], height[0]) if abs(position[0] - at) <= about / 2 else (np.nan,) * 3)
    of_sweeps, of_noise = np.array(found[: len(each)]).T, np.array(found[len(each) :]).T
    spread = [part[np.isfinite(part)].std(ddof=1) if np.isfinite(part).sum() > 2 else np.nan for part in of_noise]
    return *of_sweeps, *(np.full(len(each), float(one)) for one in spread)


def noise_of_few(rows: Any, smoother: Smoother | None, *, seed: int = 0, level: Any = None) -> Array:
    """Curves of the noise that the mean dI/dV of a few sweeps has, drawn from the point noise of the sweeps, (200, n).

    Parameters
    ----------
    rows : array_like, shape (m, n)
        Current of each sweep [A]; without a smoother, the lock-in channel.
    smoother : Smoother, optional
        That makes dI/dV of it.
    seed : int
    level : array_like, shape (m,), optional
        White noise of each sweep, where neighbouring points are tied together; else from its second differences.
    """
    each = np.atleast_2d(np.asarray(rows, float))
    own = noise_level(each) if level is None else np.asarray(level, float)
    sigma = float(np.sqrt(np.nansum(own**2))) / len(each)
    white = sigma * np.random.default_rng(seed).standard_normal((RESAMPLES, each.shape[1]))
    return white if smoother is None else smoother.differentiate(white)


def may_have_peaks(mean: Array, prominence: float) -> bool:
    """Whether any point stands so far above what is lowest on either side of it: without that there is no such peak.

    Parameters
    ----------
    mean : numpy.ndarray, shape (n,)
    prominence : float
        In the unit of `mean`.
    """
    left, right = np.minimum.accumulate(mean), np.minimum.accumulate(mean[::-1])[::-1]
    return bool(np.any(mean - np.maximum(left, right) >= prominence))


def _above_background(v: Array, curves: Array, at: float, wide: float, others: Array) -> tuple[Array, ...]:
    """Position, width, height and area of a peak above the straight line beside it, for every curve (r,)."""
    step = float(np.median(np.diff(v)))
    for _ in range(_ROUNDS):
        wide = max(wide, 2 * step)
        reach = _FLANK[1] * wide + step
        left = max([v[0], *(at - (at - other) / 2 for other in others if other < at)])
        right = min([v[-1], *(at + (other - at) / 2 for other in others if other > at)])
        near = (v >= max(at - reach, left)) & (v <= min(at + reach, right))
        beside = near & (np.abs(v - at) >= min(_FLANK[0] * wide, 0.7 * min(at - left, right - at)))
        x, part = v[near] - at, curves[:, near]
        if (beside & (v < at)).any() and (beside & (v > at)).any():
            line = _polynomial(v[beside] - at, curves[:, beside].T, 1)
            part = part - line[0][:, None] - line[1][:, None] * x
        else:
            part = part - part.min(axis=1, keepdims=True)
        inner = np.abs(x) <= max(wide, 1.01 * step)
        top = int(np.argmax(np.where(inner, part[0], -np.inf)))
        position, width, area = _measure(x, part, top, np.zeros(len(part)), wide)
        at, wide = float(v[near][top]), float(width[0]) if width[0] > 0 else wide
        place = position + float(v[near][0] - x[0])
    return place, width, part[:, top], area


def _measure(x: Array, part: Array, top: int, foot: Array, about_V: float) -> tuple[Array, Array, Array]:
    """Position, full width at half height and area of the peak at point `top` for every curve (r, k)."""
    near = np.abs(x - x[top]) <= max(about_V / 4, 1.01 * float(np.diff(x).max()))
    curve = _polynomial(x[near] - x[top], part[:, near].T, 2)
    with np.errstate(invalid="ignore", divide="ignore"):
        shift = np.nan_to_num(-curve[1] / (2 * curve[2]))
    position = x[top] + np.clip(shift, x[near][0] - x[top], x[near][-1] - x[top])
    half = (curve[0] - curve[1] ** 2 / (4 * curve[2]) + foot) / 2
    left, right = ends_above(part > half[:, None], np.array(top))  # other peaks in the window are not counted with it
    width = crossing(x, part, half, right - 1, right) - crossing(x, part, half, left + 1, left)
    step = np.gradient(x)
    counted = np.clip((width[:, None] - np.abs(x - position[:, None])) / step + 0.5, 0.0, 1.0)
    area = (counted * (part - foot[:, None]) * step).sum(axis=1)
    return position, width, area


def _polynomial(x: Array, y: Array, degree: int) -> Array:
    """Coefficients of a fitted polynomial, the constant first; of a bump with too few points the smallest that meet them."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", np.exceptions.RankWarning)
        return np.asarray(np.polynomial.polynomial.polyfit(x, y, degree))
