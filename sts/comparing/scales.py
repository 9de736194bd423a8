"""Tips on several height scales: how much of each scale's error is in each tip, and so in what differs between them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from sts.comparing.averages import MEAN, barrier_of, from_logs
from sts.comparing.calibration import Calibration
from sts.comparing.random_effects import half_of_parts
from sts.comparing.sites_and_tips import TIP


def scale_parts(sites: pd.DataFrame, scale: np.ndarray, relative_se: np.ndarray) -> np.ndarray:
    """By how much one standard uncertainty of each scale moves the slope of each tip, relative to it, shape (tips, scales).

    Parameters
    ----------
    sites : pandas.DataFrame
        Of `site_level`, k rows.
    scale : numpy.ndarray of int, shape (k,)
        The number of the scale that each site was measured on.
    relative_se : numpy.ndarray, shape (scales,)
        Relative standard uncertainty of each.

    Notes
    -----
    A slope is inverse to the scale of the heights; a tip that was measured on two scales has a share of each, by its sites.
    """
    tip = sites.groupby(TIP, sort=False, dropna=False).ngroup().to_numpy()
    shares = np.zeros((int(tip.max()) + 1, len(relative_se)))
    np.add.at(shares, (tip, scale), 1.0)
    return np.asarray(shares / shares.sum(axis=1, keepdims=True) * relative_se)


def with_scales(tips: pd.DataFrame, parts: np.ndarray, calibrated: np.ndarray) -> pd.DataFrame:
    """The tips with what their scales add to their uncertainty: `calibration_se_eV` and `total_se_eV`.

    Parameters
    ----------
    tips : pandas.DataFrame
        Of `tip_level`, m rows.
    parts : numpy.ndarray, shape (m, scales)
        Of `scale_parts`.
    calibrated : numpy.ndarray of bool, shape (scales,)
        Nothing is stated of a tip that was measured on a scale without a calibration: it has no total.
    """
    known = ~(parts[:, ~calibrated] > 0).any(axis=1)
    size = np.where(known, 2 * tips["barrier_eV"] * np.linalg.norm(parts, axis=1), np.nan)
    return tips.assign(calibration_se_eV=size, total_se_eV=np.hypot(tips["barrier_se_eV"], size))


def with_total_interval(
    tips: pd.DataFrame, parts: np.ndarray, calibrations: Sequence[Calibration | None], *, confidence: float = 0.95
) -> pd.DataFrame:
    """The tips with the interval that holds their height scales, too: `total_low_eV` and `total_high_eV`.

    Parameters
    ----------
    tips : pandas.DataFrame
        Of `tip_level`, m rows.
    parts : numpy.ndarray, shape (m, scales)
        Of `scale_parts`.
    calibrations : sequence of Calibration or None
        Of each scale; NaN for a tip that was measured on a scale without one, and for one without an interval.
    confidence : float

    Notes
    -----
    `half_of_parts` of the slope: its own uncertainty, that of the bench's offset, and those of the scales with their degrees of
    freedom. Proved in scripts/studies/height_scale.py.
    """
    slope = tips["decay_per_nm"].to_numpy(float)
    dof = np.array([one.dof if one else np.nan for one in calibrations])
    known = ~(parts[:, np.isnan(dof)] > 0).any(axis=1)
    own = [tips[name].to_numpy(float) for name in ("decay_se_per_nm", "decay_common_per_nm")]
    se = np.column_stack([*own, np.where(np.isnan(dof), 0.0, np.abs(slope[:, None]) * parts)])
    free = np.column_stack(
        [tips["dof"], np.full(len(tips), np.inf), np.broadcast_to(np.where(np.isnan(dof), np.inf, dof), parts.shape)]
    )
    typical = np.where(tips["average"] == MEAN, np.nan, slope) if "average" in tips else np.full(len(tips), np.nan)
    half = half_of_parts(se, free, confidence=confidence)
    half = np.where(known & np.isfinite(tips["barrier_high_eV"]), half, np.nan)
    ends = {
        name: barrier_of(from_logs(slope + sign * half, typical))
        for name, sign in (("total_low_eV", -1), ("total_high_eV", 1))
    }
    return tips.assign(**ends)
