"""Peaks of a spectrum: position, width and area, each with an uncertainty from the scatter between sweeps."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d
from scipy.special import stdtrit

from sts.curves.crossings import crossing, ends_above
from sts.curves.resampling import resampled_counts

Array = NDArray[np.float64]

COLUMNS = ("position_V", "position_se_V", "width_V", "width_se_V", "height", "area", "area_se", "flag")
RESAMPLES = 200


def find_peaks(
    bias: Any, didv_each: Any, *, resolution_V: float = float("nan"), significance: float = 5.0, seed: int = 0
) -> pd.DataFrame:
    """Find the peaks that stand out from the noise.

    Parameters
    ----------
    bias : array_like, shape (n,)
        Ascending [V].
    didv_each : array_like, shape (m, n)
        Smoothed dI/dV of every unit of the bands (repeat, site or tip); m of 3 or more.
    resolution_V : float
        Energy resolution; a peak no wider than 1.1 times it is flagged.
    significance : float
        Prominence in standard errors of the mean that a peak needs.

    Returns
    -------
    pandas.DataFrame
        `COLUMNS`, one row per peak by position. `height` is that above the higher foot, `width_V` the full width at half of
        it, `area` what lies above that foot within one such width on either side (98 % of a Gaussian, 70 % of a
        Lorentzian), in the unit of dI/dV times volt.

    Notes
    -----
    Position by a parabola through the points within a quarter of the width, crossings of half height by straight lines
    between points. Uncertainties by bootstrap over whole units, times m/(m - 1) in variance and with
    Student's t (twice one is the interval of 95 %); those of position and width hold a thirty-fifth of a step too, for the
    straight lines.
    """
    v = np.asarray(bias, float)
    each = np.atleast_2d(np.asarray(didv_each, float))
    there = np.isfinite(each).any(axis=0)  # a hole counted as zero would have peaks on both sides
    v, each = v[there], each[:, there]
    m = len(each)
    if m < 3 or v.size < 7:
        return pd.DataFrame({c: pd.Series(dtype=float) for c in COLUMNS})
    mean = np.nanmean(each, axis=0)
    each = np.where(np.isfinite(each), each, mean)
    noise = float(np.median(each.std(axis=0, ddof=1))) / np.sqrt(m)
    least = max(significance * noise, 1e-12 * np.ptp(mean))
    if not _may_have_peaks(mean, least):
        return pd.DataFrame(columns=list(COLUMNS))
    from scipy import signal  # slow to import, and wanted only where a peak may be

    found, about = signal.find_peaks(mean, prominence=least)
    curves = np.concatenate([mean[None], resampled_counts(m, RESAMPLES, seed) / m @ each])
    level = uniform_filter1d(curves, 7, axis=1, mode="nearest")  # the lowest single point is low by chance
    feet = np.maximum(level[:, about["left_bases"]], level[:, about["right_bases"]])
    step = float(np.median(np.diff(v)))
    wide = signal.peak_widths(mean, found, rel_height=0.5)[0]
    wider = float(stdtrit(m - 1, 0.975)) / 1.959964
    rows = []
    for i, peak in enumerate(found):
        reach = max(3, int(np.ceil(1.2 * wide[i])) + 1)
        window = slice(max(peak - reach, 0), peak + reach + 1)
        top = peak - window.start
        measured = _measure(v[window], curves[:, window], top, feet[:, i], wide[i] * step)
        position, width, area = (float(a[0]) for a in measured)
        se = [float(np.nanstd(a[1:], ddof=1)) * (m / (m - 1)) ** 0.5 * wider for a in measured]
        narrow = np.isfinite(resolution_V) and width <= 1.1 * resolution_V
        flag = "no wider than the resolution" if narrow else ""
        lines = step / 12**0.5 / 10
        rows.append(
            (
                position,
                np.hypot(se[0], lines),
                width,
                np.hypot(se[1], lines),
                mean[peak] - feet[0, i],
                area,
                se[2],
                flag,
            )
        )
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _may_have_peaks(mean: Array, prominence: float) -> bool:
    """Whether any point stands so far above what is lowest on either side of it: without that there is no such peak."""
    left, right = np.minimum.accumulate(mean), np.minimum.accumulate(mean[::-1])[::-1]
    return bool(np.any(mean - np.maximum(left, right) >= prominence))


def _measure(x: Array, part: Array, top: int, foot: Array, about_V: float) -> tuple[Array, Array, Array]:
    """Position, full width at half height and area of the peak at point `top` for every curve (r, k)."""
    near = np.abs(x - x[top]) <= max(about_V / 4, 1.01 * float(np.diff(x).max()))
    curve = np.polynomial.polynomial.polyfit(x[near] - x[top], part[:, near].T, 2)
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
