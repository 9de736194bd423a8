"""Set-points: sweeps scaled to theirs, and a series of them: does the gap change with the distance of the tip?"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sts.curves.distributions import NORMAL_95
from sts.spectra.spectrum import Spectrum
from sts.sweeps import SweepSet

Array = NDArray[np.float64]

COLUMNS = (
    "sample",
    "tip",
    "gap_method",
    "setpoints",
    "gap_change_meV_per_decade",
    "gap_change_se_meV_per_decade",
    "trend",
)


def setpoint_trends(spectra: Sequence[Spectrum]) -> pd.DataFrame:
    """Change of the gap a decade of set-point current, of each sample, tip and method with three set-points or more.

    Parameters
    ----------
    spectra : sequence of Spectrum
        Those without `setpoint_current_A` among their keys, or without a gap, do not count. Tips are not mixed: where each
        was at a set-point of its own, the tips may differ and not the set-points.

    Returns
    -------
    pandas.DataFrame
        `COLUMNS`; `trend` where the change is beyond 1.96 of its uncertainty.

    Notes
    -----
    Straight line in log10 of the current, weighted by the gaps' own uncertainties (P. R. Bevington, D. K. Robinson, Data
    Reduction and Error Analysis, chapter 6), which are widened where the gaps scatter about it by more. A gap that
    widens as the tip comes closer tells of band bending by the tip or of a voltage lost in the sample.
    """
    points: dict[tuple[str, str, str], list[tuple[float, float, float]]] = {}
    for spectrum in spectra:
        current = abs(float(spectrum.keys.get("setpoint_current_A", np.nan)))
        if spectrum.gaps is None or not current > 0:
            continue
        for row in spectrum.gaps.to_dict("records"):
            if np.isfinite(row["gap_meV"]) and row["gap_se_meV"] > 0:
                sample, tip = (str(spectrum.keys.get(k, "")) for k in ("sample", "tip"))
                key = sample, tip or str(spectrum.keys.get("unassigned", "")), str(row["gap_method"])
                points.setdefault(key, []).append((np.log10(current), row["gap_meV"], row["gap_se_meV"]))
    rows = []
    for key, found in points.items():
        x, gap, se = np.array(found).T
        setpoints = np.unique(np.round(x, 3)).size
        if setpoints >= 3:
            slope, slope_se = _slope(x, gap, 1 / se**2)
            rows.append((*key, setpoints, slope, slope_se, abs(slope) > NORMAL_95 * slope_se))
    return pd.DataFrame(rows, columns=list(COLUMNS))


def scaled_to_setpoint(used: SweepSet, bias: Array, current: Array) -> Array:
    """Every sweep times set-point current over its own current at the set-point bias.

    Parameters
    ----------
    used : SweepSet
        m sweeps, whose table tells the set-points.
    bias : numpy.ndarray, shape (n,)
        As the bench counts it [V].
    current : numpy.ndarray, shape (m, n)
        [A].

    Raises
    ------
    ValueError
        If a set-point is unknown, or outside the sweep.
    """
    wanted = used.table["setpoint_current_A"].to_numpy(float)
    at = used.table["setpoint_bias_V"].to_numpy(float)
    slack = 0.6 * float(np.median(np.diff(bias)))  # sweeps often end at the set-point
    known = np.isfinite(wanted) & (at >= bias[0] - slack) & (at <= bias[-1] + slack)
    if not known.all():
        raise ValueError(
            f"{int((~known).sum())} sweeps have no set-point current and bias within the sweep; they cannot be scaled "
            "to the set-point. Fill them in with a logbook, or set 'scale_to_setpoint = false'."
        )
    position = np.clip(np.searchsorted(bias, at), 2, bias.size - 3)
    nearby = position[:, None] + np.arange(-2, 3)
    current_there = np.take_along_axis(current, nearby, axis=1)
    distance = bias[nearby] - at[:, None]
    centred = distance - distance.mean(axis=1, keepdims=True)
    slope = (centred * current_there).sum(axis=1) / (centred**2).sum(axis=1)
    there = np.abs(current_there.mean(axis=1) - slope * distance.mean(axis=1))  # straight line through 5 points
    scaled: Array = current * (np.abs(wanted) / there)[:, None]
    return scaled


def _slope(x: np.ndarray, y: np.ndarray, weight: np.ndarray) -> tuple[float, float]:
    dx = x - np.average(x, weights=weight)
    dy = y - np.average(y, weights=weight)
    power = float(weight @ dx**2)
    slope = float(weight @ (dx * dy)) / power
    chi2 = float(weight @ (dy - slope * dx) ** 2) / (len(x) - 2)
    return slope, float(np.sqrt(max(chi2, 1.0) / power))
