"""Apparent barrier heights from I(z)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

SWEEP_COLUMNS = (
    "sweep", "sample", "tip", "site", "direction", "repeat", "barrier_eV", "barrier_se_eV", "barrier_low_eV",
    "barrier_high_eV", "decay_per_nm", "decades", "offset_pA", "noise_pA", "points", "from_nm", "to_nm",
    "reduced_chi2", "barrier_log_eV", "flags", "used",
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class BarrierFit:
    """Fits of I = A exp(-2κz) + offset to the m sweeps of one set."""

    height: np.ndarray  # (n,) [m]
    current: np.ndarray  # (m, n) as measured [A]
    fitted: np.ndarray  # (m, n) the fitted curve [A]; NaN where the fit failed
    residual: np.ndarray  # (m, n) (measured - fitted)/standard deviation of the noise model; NaN where masked
    used_points: np.ndarray  # (m, n) bool: samples that entered the fit
    offset: np.ndarray  # (m,) fitted offset [A]
    table: pd.DataFrame  # SWEEP_COLUMNS, then columns beyond the contract (decay_se_per_nm, choice_spread_eV, ...)
    flags: pd.DataFrame  # rows (sweep, flag, detail)
