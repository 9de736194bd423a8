"""From I(V) arrays to spectra: judge, offset, average, smooth, normalise. Numbers in, numbers out."""

from .average_spectrum import average_spectrum
from .averaging import group_sweeps
from .grid import spectra_of_grid
from .judging import judge_iv
from .normalise import broadening, normalise, trusted_bias
from .offsets import bias_offset_from_symmetry, find_offsets
from .quality import find_saturation, find_step, noise_level
from .setpoints import setpoint_trends
from .smoothing import Smoother, make_smoother
from .spectrum import Offsets, Resolution, Spectrum
from .strength import choose_smoother

__all__ = [
    "Offsets",
    "Resolution",
    "Smoother",
    "Spectrum",
    "average_spectrum",
    "bias_offset_from_symmetry",
    "broadening",
    "choose_smoother",
    "find_offsets",
    "find_saturation",
    "find_step",
    "group_sweeps",
    "judge_iv",
    "make_smoother",
    "noise_level",
    "normalise",
    "setpoint_trends",
    "spectra_of_grid",
    "trusted_bias",
]
