"""From I(V) sweeps to spectra: judge, offset, average, smooth, normalise, and what stands in them. Numbers in, numbers out."""

from sts.spectra.average import average_spectrum
from sts.spectra.faults.judging import judge_iv
from sts.spectra.grid import spectra_of_grid
from sts.spectra.normalised import broadening, normalise, trusted_bias
from sts.spectra.offsets import bias_offset_from_symmetry, find_offsets
from sts.spectra.setpoints import setpoint_trends
from sts.spectra.smoothing_width import choose_smoother
from sts.spectra.spectrum import Offsets, Resolution, Spectrum

__all__ = [
    "Offsets",
    "Resolution",
    "Spectrum",
    "average_spectrum",
    "bias_offset_from_symmetry",
    "broadening",
    "choose_smoother",
    "find_offsets",
    "judge_iv",
    "normalise",
    "setpoint_trends",
    "spectra_of_grid",
    "trusted_bias",
]
