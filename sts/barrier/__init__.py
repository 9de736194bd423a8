"""Apparent barrier heights from I(z) sweeps: noise, lag, fits, directions. Numbers in, numbers out."""

from sts.barrier.fit import BarrierFit, fit_barrier
from sts.barrier.local import LocalBarrier, local_barrier
from sts.barrier.retract_approach import pair_directions, slopes_by_repeat
from sts.barrier.windows import window_sensitivity

__all__ = [
    "BarrierFit",
    "LocalBarrier",
    "fit_barrier",
    "local_barrier",
    "pair_directions",
    "slopes_by_repeat",
    "window_sensitivity",
]
