"""Models fitted to sweeps and spectra: barriers, gaps, line shapes."""

from sts.fitting.barrier import BarrierFit, fit_barrier
from sts.fitting.directions import pair_directions, slopes_by_repeat
from sts.fitting.local_barrier import LocalBarrier, local_barrier
from sts.fitting.superconductor import SuperconductingGap, fit_superconducting_gap, gap_ratio
from sts.fitting.windows import window_sensitivity

__all__ = [
    "BarrierFit",
    "LocalBarrier",
    "SuperconductingGap",
    "fit_barrier",
    "fit_superconducting_gap",
    "gap_ratio",
    "local_barrier",
    "pair_directions",
    "slopes_by_repeat",
    "window_sensitivity",
]
