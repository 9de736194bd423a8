"""The fits as tables, in the units people read: one row for each sweep, and one for each tip's noise."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from sts.barrier.batch import Batch
from sts.barrier.blocks import Array
from sts.barrier.noise import Noise
from sts.barrier.sweep_fits import Fits
from sts.quantities import barrier_from_decay
from sts.sweeps import COLUMNS, with_day

IDENTITY = ["sweep", "sample", "tip", "day", "site", "direction", "repeat"]


def sweep_rows(batch: Batch, confidence: float) -> pd.DataFrame:
    """`SWEEP_COLUMNS` of `sts.barrier.fit` without flags and use, more figures, then the user's own columns.

    Parameters
    ----------
    batch : Batch
        Of m sweeps.
    confidence : float
        Level of the intervals, 0 to 1.
    """
    table, fits, lags = batch.sweeps.table, batch.fits, batch.lags
    size, reach = np.abs(fits.decay), fits.reach(confidence)
    values: dict[str, Any] = {
        "barrier_eV": barrier_from_decay(fits.decay),
        "barrier_se_eV": _barrier_se(fits.decay, fits.decay_se),
        "barrier_low_eV": barrier_from_decay(np.maximum(size - reach, 0.0)),
        "barrier_high_eV": barrier_from_decay(size + reach),
        "decay_per_nm": fits.decay * 1e-9,
        "decades": fits.decades,
        "offset_pA": fits.offset * 1e12,
        "noise_pA": fits.noise.electronics * 1e12,
        "points": fits.points,
        "from_nm": fits.lowest * 1e9,
        "to_nm": fits.highest * 1e9,
        "reduced_chi2": fits.reduced_chi2,
        "barrier_log_eV": barrier_from_decay(fits.log_decay),
        "decay_se_per_nm": fits.decay_se * 1e-9,
        "decay_common_per_nm": fits.decay_common * 1e-9,
        "decay_motion_per_nm": batch.motion * 1e-9,
        "decay_rounding_per_nm": fits.decay_rounding * 1e-9,
        "dof": fits.dof,
        "choice_spread_eV": _choice_spread(fits),
        "slow_correlation": fits.noise.correlation,
        "offset_se_pA": fits.offset_se * 1e12,
        "shot_bandwidth_Hz": fits.noise.shot_bandwidth,
        "gap_percent": fits.noise.gap * 100,
        "amplitude_pA": fits.amplitude * 1e12,
        "barrier_modulation_eV": barrier_from_decay(fits.modulation_decay),
        "barrier_modulation_se_eV": _barrier_se(fits.modulation_decay, fits.modulation_decay_se),
        "lag_nm": lags.length * 1e9,
        "lag_ms": lags.time * 1e3,
        "lag_se_ms": lags.time_se * 1e3,
        "duration_s": table["duration_s"].to_numpy(float),
        "range_nm": np.full(len(size), np.ptp(batch.sweeps.axis) * 1e9),
    }
    table = with_day(table)
    own = [c for c in table.columns if c not in (*COLUMNS, "day")]
    taken = {c: f"own_{c}" for c in own if c in values or c in IDENTITY}
    return pd.concat([table[IDENTITY], pd.DataFrame(values), table[own].rename(columns=taken)], axis=1)


def noise_rows(batch: Batch) -> pd.DataFrame:
    """One row for each group of sweeps that share their noise, with its three terms.

    Parameters
    ----------
    batch : Batch
    """
    first = batch.sweeps.table.iloc[np.unique(batch.noise.group, return_index=True)[1]]
    noise: Noise = batch.noise.pooled
    return pd.DataFrame(
        {
            "sample": first["sample"].to_numpy(),
            "tip": first["tip"].to_numpy(),
            "electronics_pA": noise.electronics * 1e12,
            "shot_bandwidth_Hz": noise.shot_bandwidth,
            "gap_percent": noise.gap * 100,
        }
    )


def _barrier_se(decay: Array, decay_se: Array) -> Any:
    """Standard uncertainty of the barrier [eV] from that of the decay [1/m]: 2 (ħ²/8m) 2κ u(2κ)."""
    return barrier_from_decay(1.0) * 2 * np.abs(decay) * decay_se


def _choice_spread(fits: Fits) -> Array:
    """Half of what the barriers of all windows and weights span [eV], (m,)."""
    barriers = barrier_from_decay(np.column_stack([fits.window_decay, fits.decay]))
    with np.errstate(all="ignore"):
        spread = (np.fmax.reduce(barriers, axis=1) - np.fmin.reduce(barriers, axis=1)) / 2
    return np.where(fits.good, spread, np.nan)
