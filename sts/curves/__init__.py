"""What any sweep needs: electronics, repeats, averages, smoothing. Numbers in, numbers out."""

from sts.curves.averaging import group_sweeps
from sts.curves.electronics import find_saturation, find_step, noise_level
from sts.curves.smoothing import Smoother, make_smoother

__all__ = ["Smoother", "find_saturation", "find_step", "group_sweeps", "make_smoother", "noise_level"]
