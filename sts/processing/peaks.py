"""Peaks of a spectrum: position, width and area, each with an uncertainty from the scatter between sweeps."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import signal

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
        Smoothed dI/dV of every repeat; m of 3 or more.
    resolution_V : float
        Energy resolution; a peak no wider than 1.1 times it is flagged.
    significance : float
        Prominence in standard errors of the mean that a peak needs.

    Returns
    -------
    pandas.DataFrame
        `COLUMNS`, one row a peak by position. `height` is the prominence, `width_V` the full width at half of it, `area`
        what lies above the line between the feet of the half-height, in the unit of dI/dV times volt.

    Notes
    -----
    Position by a parabola through the three highest points. Uncertainties by bootstrap over whole sweeps.
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
    found, about = signal.find_peaks(mean, prominence=max(significance * noise, 1e-12 * np.ptp(mean)))
    widths = signal.peak_widths(
        mean, found, prominence_data=tuple(about[k] for k in ("prominences", "left_bases", "right_bases"))
    )
    weights = np.random.default_rng(seed).multinomial(m, np.full(m, 1 / m), RESAMPLES) / m
    curves = weights @ each
    step = float(np.median(np.diff(v)))
    rows = []
    for i, peak in enumerate(found):
        reach = max(3, round(widths[0][i]))
        window = slice(max(peak - reach, 1), min(peak + reach + 1, v.size - 1))
        here = _measure(v, mean[None], window, about["prominences"][i])
        spread = _measure(v, curves, window, about["prominences"][i])
        position, width, area = (float(a[0]) for a in here)
        se = [float(np.nanstd(a, ddof=1)) for a in spread]
        narrow = np.isfinite(resolution_V) and width <= 1.1 * resolution_V
        flag = "no wider than the resolution" if narrow else ""
        rows.append(
            (position, max(se[0], step / 12**0.5 / 10), width, se[1], about["prominences"][i], area, se[2], flag)
        )
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _measure(
    v: NDArray[np.float64], curves: NDArray[np.float64], window: slice, prominence: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Position, full width at half prominence and area above that level's foot, for every curve (r,)."""
    part, x = curves[:, window], v[window]
    row = np.arange(len(part))
    top = np.clip(np.argmax(part, axis=1), 1, part.shape[1] - 2)
    a, b, c = part[row, top - 1], part[row, top], part[row, top + 1]
    with np.errstate(invalid="ignore", divide="ignore"):
        shift = np.clip(np.nan_to_num((a - c) / (2 * (a - 2 * b + c))), -1, 1)
    position = x[top] + shift * (x[1] - x[0])
    half = b - prominence / 2
    above = part > half[:, None]
    step = np.gradient(x)
    width = (above * step).sum(axis=1)
    area = (np.maximum(part - (b - prominence)[:, None], 0) * step).sum(axis=1)
    return position, width, area
