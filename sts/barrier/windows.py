"""How the barrier moves with the window: the choices a person would have made by hand, shown."""

from __future__ import annotations

import numpy as np
import pandas as pd

from sts.barrier import exponential as engine
from sts.barrier.fit import BarrierFit
from sts.quantities import barrier_from_decay

CUTS = ((0.0, 1.0), (0.05, 1.0), (0.1, 1.0), (0.15, 1.0), (0.2, 1.0), (0.25, 1.0), (0.0, 0.95), (0.0, 0.9), (0.0, 0.85),
        (0.0, 0.8), (0.0, 0.75))  # fmt: skip


def window_sensitivity(fit: BarrierFit) -> pd.DataFrame:
    """Barrier of every sweep with part of the range cut off at one end.

    Parameters
    ----------
    fit : BarrierFit

    Returns
    -------
    pandas.DataFrame
        `sweep`, `lower_cut_nm`, `upper_cut_nm` (the heights that were kept), `barrier_eV`; a row for every sweep and
        cut of `CUTS`.

    Notes
    -----
    The weights are those of the full fit, so that only the window changes. Data that follow the model scatter flat
    within the uncertainty; an offset that drifts, contact or a compliant gap make a slope.
    """
    u, span = engine.scaled_height(fit.height)
    good = np.isfinite(fit.offset)
    current = np.where(fit.used_points, fit.current, 0.0)
    weight = np.where(fit.used_points & good[:, None], 1.0 / np.where(good[:, None], fit.deviation, 1.0) ** 2, 0.0)
    decay = np.where(good, fit.table["decay_per_nm"].to_numpy(float) * span * 1e9, 1.0)
    amplitude = np.where(good, fit.table["amplitude_pA"].to_numpy(float) * 1e-12, 1.0)
    start = engine.Exponential(amplitude, decay, np.where(good, fit.offset, 0.0), good)
    parts = []
    for lower, upper in CUTS:
        inside = weight * ((u >= lower) & (u <= upper))
        moved, _, _ = engine.fit(start, u, current, inside, lambda signal, rows: np.ones_like(signal))
        barrier = np.where(moved.good, barrier_from_decay(moved.decay / span), np.nan)
        parts.append(
            pd.DataFrame(
                {
                    "sweep": fit.table["sweep"],
                    "lower_cut_nm": (fit.height[0] + lower * span) * 1e9,
                    "upper_cut_nm": (fit.height[0] + upper * span) * 1e9,
                    "barrier_eV": barrier,
                }
            )
        )
    return pd.concat(parts, ignore_index=True)
