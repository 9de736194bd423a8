"""Resampling of whole sweeps: neighbouring points are tied together by smoothing, sweeps are not."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def resampled_counts(sweeps: int, resamples: int, seed: int) -> NDArray[np.int64]:
    """How often each sweep is in each bootstrap sample; ``counts @ curves / sweeps`` are the means of the samples.

    Parameters
    ----------
    sweeps, resamples : int
    seed : int

    Returns
    -------
    ndarray, shape (resamples, sweeps)
        Each row adds up to `sweeps`.

    Notes
    -----
    B. Efron, Ann. Stat. 7, 1 (1979), doi:10.1214/aos/1176344552. The scatter of the resampled means is (m - 1)/m of
    that of the mean of m sweeps in variance.
    """
    return np.random.default_rng(seed).multinomial(sweeps, np.full(sweeps, 1 / sweeps), resamples)
