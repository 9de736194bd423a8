"""Figures: each function takes a finished result and ``ax=None``, draws, and returns the axes."""

from sts.figures.barrier import plot_iz_fits, plot_iz_tips, plot_local_barrier, plot_window_sensitivity
from sts.figures.changes import plot_changes
from sts.figures.each_sweep import plot_sweep_features
from sts.figures.marks import data_behind
from sts.figures.models import plot_lockin, plot_model_fit
from sts.figures.noise import plot_noise_spectrum
from sts.figures.paper import plot_barriers, plot_spectra, save_figure
from sts.figures.spectra import (
    plot_direction_difference,
    plot_normalised,
    plot_setpoint_series,
    plot_smoothing_criterion,
    plot_spectrum,
)
from sts.figures.style import house_style, new_figure
from sts.figures.sweeps import plot_session_timeline, plot_site_map, plot_sweep_trend, plot_sweeps, plot_tip_sweeps
from sts.figures.tip_days import plot_tip_days
from sts.figures.tips import plot_barrier_by_tip, plot_barrier_histogram, plot_tip_pairs

__all__ = [
    "data_behind",
    "house_style",
    "new_figure",
    "plot_barrier_by_tip",
    "plot_barrier_histogram",
    "plot_barriers",
    "plot_changes",
    "plot_direction_difference",
    "plot_iz_fits",
    "plot_iz_tips",
    "plot_local_barrier",
    "plot_lockin",
    "plot_model_fit",
    "plot_noise_spectrum",
    "plot_normalised",
    "plot_session_timeline",
    "plot_setpoint_series",
    "plot_site_map",
    "plot_smoothing_criterion",
    "plot_spectra",
    "plot_spectrum",
    "plot_sweep_features",
    "plot_sweep_trend",
    "plot_sweeps",
    "plot_tip_days",
    "plot_tip_pairs",
    "plot_tip_sweeps",
    "plot_window_sensitivity",
    "save_figure",
]
