"""The steepest certain rise of dI/dV: planted slopes, and noise that makes none."""

from __future__ import annotations

import numpy as np

from sts.spectra.gaps.steepness import steepest_rise


def test_a_rise_that_no_thermal_edge_can_show_is_measured():
    v = np.linspace(-1, 1, 401)
    g = 1e-3 + np.where(np.abs(v) > 0.5, 1.0, 0.0) + 10.0 ** ((np.abs(v) - 0.6) / 0.02)  # a decade in 20 mV
    rise, place = steepest_rise(v, np.minimum(g, 1e3), np.full(v.size, 1e-5))
    assert rise < 0.025
    assert abs(place) > 0.4


def test_noise_makes_no_rise_steeper_than_it_is():
    """A step that rises a decade in 58 mV, under 10 % noise: the steepest of 200 noisy slopes is not what counts."""
    v = np.linspace(-0.3, 0.3, 401)
    g = 10.0 ** (np.abs(v) / 0.058) * (1 + 0.1 * np.random.default_rng(3).standard_normal(v.size))
    rise, _ = steepest_rise(v, g, 0.1 * g)
    assert np.isnan(rise) or rise > 0.058
