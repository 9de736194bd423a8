"""Gap and strongest peaks of each sweep, read off it alone in the way that its average was: what an average hides is seen there."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sts.curves.averaging import group_codes
from sts.spectra.gaps.band_forms import Blur
from sts.spectra.gaps.edge_fit import fit_edge
from sts.spectra.gaps.floors import find_floor, level_at_ends
from sts.spectra.gaps.gap import BANDS, sides_of
from sts.spectra.gaps.soft_gap import half_depth
from sts.spectra.peaks import peaks_of_each

Array = NDArray[np.float64]

WHO = ("sweep", "tip", "day", "site", "repeat", "direction")
COLUMNS = (
    "feature", *WHO, "value_mV", "value_se_mV", "width_mV", "width_se_mV", "height", "height_se",
)  # fmt: skip
GAP, LOWER, UPPER = "gap", "lower edge", "upper edge"
MOST_PEAKS = 4
CLEAR = 3.0  # of its standard uncertainties by point noise that the height of a peak, or a gap, has in one sweep
_DRAWS = 60  # of the noise


@dataclass(frozen=True, eq=False)
class Rows:
    """dI/dV of every sweep that was averaged, and what noise it has alone.

    Attributes
    ----------
    bias : numpy.ndarray
        (n,) ascending [V].
    each : numpy.ndarray
        (m, n).
    table : pandas.DataFrame
        m rows with `sweep`, `tip`, `day`, `site`, `repeat`, `direction`.
    noise : numpy.ndarray
        (r, n) curves of the point noise of one of the sweeps.
    """

    bias: Array
    each: Array
    table: pd.DataFrame
    noise: Array


def features_of_sweeps(
    rows: Rows, gaps: pd.DataFrame | None, peaks: pd.DataFrame | None, *, blur: Blur | None = None
) -> pd.DataFrame:
    """Gap, its edges and the strongest peaks of each sweep, with standard uncertainties from the noise of its points.

    Parameters
    ----------
    rows : Rows
    gaps, peaks : pandas.DataFrame, optional
        Those of the average (`gap_edges`, `find_peaks`): nothing else is looked for in a sweep.
    blur : Blur, optional
        What broadens dI/dV.

    Returns
    -------
    pandas.DataFrame
        `COLUMNS`, one row for each feature and sweep that has it. `value_mV` is the gap, the bias of an edge or the position of
        a peak; peaks, the strongest four, are numbered from the lowest bias. `height` is in the unit of dI/dV.

    Notes
    -----
    Edges by the exponent of the average, fitted to each sweep as in `sts.spectra.edge_fit.fit_edge`; a dip without a floor by
    its width at half depth; peaks above the line beside them, within the same points as in the average. The uncertainty
    is that of white noise: what slow noise adds is in the scatter between sweeps only.
    """
    good = np.isfinite(rows.each).all(axis=0)
    rows = Rows(rows.bias[good], rows.each[:, good], rows.table, rows.noise[:, good])
    parts = []
    if rows.bias.size >= 12 and len(rows.each):
        parts = _gap(rows, gaps, blur or Blur(0.0)) + _peaks(rows, peaks)
    if not parts:
        return pd.DataFrame({name: pd.Series(dtype=object) for name in COLUMNS})
    return pd.concat(parts, ignore_index=True)[list(COLUMNS)]


def _gap(rows: Rows, gaps: pd.DataFrame | None, blur: Blur) -> list[pd.DataFrame]:
    """Rows of the gap and its edges."""
    found = [] if gaps is None else [row for row in gaps.to_dict("records") if np.isfinite(row["gap_meV"])]
    for row in found:
        if str(row["gap_method"]).startswith(BANDS):
            return _as_rows(rows, *_edges(rows, blur, float(row["exponent"])))
        if "half depth" in str(row["gap_method"]):
            return _as_rows(rows, *_dips(rows, (float(row["lower_edge_V"]), float(row["upper_edge_V"]))))
    return []


def _edges(rows: Rows, blur: Blur, exponent: float) -> tuple[Array, Array]:
    """Lower and upper edge of each sweep (m, 2) [V], and their standard uncertainty; NaN where there is none."""
    m = len(rows.each)
    mean = rows.each.mean(axis=0)
    floor = find_floor(rows.bias, mean, level_at_ends(mean))
    if floor is None:
        return np.full((m, 2), np.nan), np.full((m, 2), np.nan)
    # The form is that of the sites, not of their mean, which gaps that differ make rounder.
    site = group_codes(rows.table, ["tip", "day", "site"])
    sides = sides_of(rows.bias, rows.each, site, (floor, blur), mean + rows.noise[:_DRAWS])
    lower, upper = (fit_edge(side, blur, exponent=exponent) for side in sides)
    if lower is None or upper is None:
        return np.full((m, 2), np.nan), np.full((m, 2), np.nan)
    found = np.column_stack([-lower.each, upper.each])
    return found[:m], np.broadcast_to(found[m:].std(axis=0, ddof=1), (m, 2))


def _dips(rows: Rows, edges: tuple[float, float]) -> tuple[Array, Array]:
    """As `_edges`, of a dip at half of its depth."""
    curves = np.concatenate([rows.each, rows.each.mean(axis=0) + rows.noise[:_DRAWS]])
    read = [half_depth(rows.bias, curve, *edges) for curve in curves]
    found = np.array([(np.nan, np.nan) if one is None else one[1:] for one in read])
    m = len(rows.each)
    return found[:m], np.broadcast_to(found[m:][np.isfinite(found[m:]).all(axis=1)].std(axis=0), (m, 2))


def _as_rows(rows: Rows, edges: Array, se: Array) -> list[pd.DataFrame]:
    """Rows of the gap and its edges for the sweeps that have a clear gap."""
    gap, gap_se = edges[:, 1] - edges[:, 0], np.hypot(se[:, 0], se[:, 1])
    clear = gap > CLEAR * gap_se
    values = {GAP: (gap, gap_se), LOWER: (edges[:, 0], se[:, 0]), UPPER: (edges[:, 1], se[:, 1])}
    return [_table(rows, name, clear, value, error) for name, (value, error) in values.items() if clear.any()]


def strongest_peaks(peaks: pd.DataFrame) -> pd.DataFrame:
    """The rows of the strongest peaks, in the order of their position: peak 1, peak 2, ...

    Parameters
    ----------
    peaks : pandas.DataFrame
        Of `find_peaks`.
    """
    return peaks.sort_values("height", ascending=False, kind="stable").head(MOST_PEAKS).sort_values("position_V")


def _peaks(rows: Rows, peaks: pd.DataFrame | None) -> list[pd.DataFrame]:
    """Rows of the strongest peaks."""
    if peaks is None or peaks.empty:
        return []
    parts = []
    for number, peak in enumerate(strongest_peaks(peaks).index, 1):
        position, width, height, *errors = peaks_of_each(
            rows.bias, rows.each, peaks.loc[[peak, *peaks.index.drop(peak)]], rows.noise[:_DRAWS]
        )
        clear = (height > CLEAR * errors[2]) & np.isfinite(width)
        if clear.any():
            part = _table(rows, f"peak {number}", clear, position, errors[0])
            sized = {"width_mV": 1e3 * width, "width_se_mV": 1e3 * errors[1], "height": height, "height_se": errors[2]}
            parts.append(part.assign(**{name: value[clear] for name, value in sized.items()}))
    return parts


def _table(rows: Rows, feature: str, clear: NDArray[np.bool_], value_V: Array, se_V: Array) -> pd.DataFrame:
    columns: dict[str, Any] = {"feature": feature, "value_mV": 1e3 * value_V[clear], "value_se_mV": 1e3 * se_V[clear]}
    columns |= dict.fromkeys(("width_mV", "width_se_mV", "height", "height_se"), np.nan)
    return rows.table[clear].assign(**columns)
