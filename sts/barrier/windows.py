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
    fits, good = fit.fits, fit.fits.good
    amplitude, decay, offset = (
        np.where(good, values, fill)
        for values, fill in ((fits.amplitude, 1.0), (fits.decay * span, 1.0), (fits.offset, 0.0))
    )
    start = engine.Exponential(amplitude, decay, offset, good)
    current = np.where(fit.used_points, fit.current, 0.0)
    weight = np.where(fit.used_points & good[:, None], 1.0 / np.where(good[:, None], fit.deviation, 1.0) ** 2, 0.0)
    parts = []
    for lower, upper in CUTS:
        inside = engine.Samples(u, current, weight * ((u >= lower) & (u <= upper)))
        moved = engine.fit(start, inside, lambda signal, rows: np.ones_like(signal)).curve
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
