"""Line shapes and their fits to spectra."""

from sts.spectra.models.superconductor import SuperconductingGap, fit_superconducting_gap, gap_ratio

__all__ = ["SuperconductingGap", "fit_superconducting_gap", "gap_ratio"]
