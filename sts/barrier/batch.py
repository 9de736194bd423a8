"""From the I(z) sweeps of a set to their fits: masks, noise, lag, noise without what the lag spoiled, fits."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sts.barrier.blocks import Array, blocks, joined
from sts.barrier.lag import Lags, find_lags
from sts.barrier.masks import Masks, find_masks
from sts.barrier.pooled_noise import NoiseModel, find_noise, noise_groups
from sts.barrier.sweep_fits import Fits, fit_block
from sts.plan import BarrierPlan
from sts.sweeps import SweepSet


@dataclass(frozen=True, eq=False)
class Batch:
    """All that is found about the m sweeps of a set on n heights, in SI."""

    sweeps: SweepSet
    masks: Masks
    noise: NoiseModel
    lags: Lags
    fits: Fits
    fitted: Array  # (m, n) the fitted curve [A]; NaN where the fit failed
    residual: NDArray[np.float32]  # (m, n) in standard deviations; 7 digits do for what is only looked at


def fit_batch(sweeps: SweepSet, plan: BarrierPlan) -> Batch:
    """Fit every sweep of a set.

    Parameters
    ----------
    sweeps : SweepSet
        m I(z) sweeps.
    plan : BarrierPlan
    """
    masks, group = find_masks(sweeps, plan), noise_groups(sweeps)
    noise = find_noise(sweeps, masks, group)
    lags, masks = find_lags(sweeps, masks, noise)
    if lags.masked.any():
        noise = find_noise(sweeps, masks, group)  # what the lag spoiled looked like slow noise
    fitted, residual = np.empty(sweeps.current.shape), np.empty(sweeps.current.shape, np.float32)
    parts = []
    for rows in blocks(*sweeps.current.shape):
        part, fitted[rows], residual[rows] = fit_block(sweeps, masks, noise, rows, plan)
        parts.append(part)
    return Batch(sweeps, masks, noise, lags, joined(parts), fitted, residual)
