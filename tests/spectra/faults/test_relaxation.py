"""The size of a relaxation comes back with its uncertainty, beside what else differs from a reference."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from sts.spectra.faults.relaxation import Frame, fit_relaxation, without_ripple

AXIS = np.linspace(-1.0, 1.0, 201)
TIME = np.arange(201.0)
CURVE = 2e-10 * np.sinh(2 * AXIS)
NOISE = 2e-12


def frame(*, mirrored: bool = False) -> Frame:
    return Frame.of(AXIS, CURVE, TIME, np.ones(201, bool), middle=CURVE if mirrored else None)


@pytest.mark.parametrize("mirrored", [False, True])
def test_size_time_and_score_are_right(mirrored: bool):
    """400 sweeps with level, offset and drift of their own: unbiased, and a score of unit variance about the truth."""
    rng = np.random.default_rng(1)
    shape = np.exp(-TIME / 15) - mirrored * np.exp(-(200 - TIME) / 15)
    level, drift = 1 + 0.02 * rng.standard_normal((2, 400, 1))
    sweeps = CURVE * (level + (drift - 1) * (TIME / 200 - 0.5)) + 5e-12 * rng.standard_normal((400, 1))
    sweeps = sweeps + 4e-11 * shape + NOISE * rng.standard_normal((400, 201))
    fit = fit_relaxation(sweeps, frame(mirrored=mirrored), NOISE, tau=15.0)
    assert_allclose(fit.size.mean(), 4e-11, rtol=0.02)
    error = fit.size / fit.score
    assert np.std((fit.size - 4e-11) / error) == pytest.approx(1.0, abs=0.15)
    assert np.median(fit_relaxation(sweeps, frame(mirrored=mirrored), NOISE).tau) == pytest.approx(15, rel=0.25)


def test_without_a_relaxation_scores_are_small():
    rng = np.random.default_rng(2)
    fit = fit_relaxation(CURVE + NOISE * rng.standard_normal((300, 201)), frame(), NOISE)
    assert np.mean(np.abs(fit.score) > 4) < 0.01


def test_slow_noise_lowers_the_score():
    """A random walk, slower than any 1/f noise: most would stand clear of white noise, few do of what it is."""
    rng = np.random.default_rng(3)
    walk = np.cumsum(rng.standard_normal((50, 201)), axis=1) * 1e-12
    fit = fit_relaxation(CURVE + walk + NOISE * rng.standard_normal((50, 201)), frame(), NOISE)
    white = NOISE * np.sqrt(2 / fit.tau)  # of an average over so many samples
    assert np.mean(np.abs(fit.size / white) > 5) > 0.3
    assert np.mean(np.abs(fit.score) > 5) < 0.25


def test_a_ripple_of_common_period_is_taken_off_and_a_curve_is_not():
    rng = np.random.default_rng(4)
    curve = CURVE + NOISE * rng.standard_normal((5, 201))
    wave = 2e-11 * np.sin(2 * np.pi * TIME / 11 + rng.uniform(0, 6, (5, 1)))
    assert without_ripple(curve) is curve
    assert_allclose(without_ripple(curve + wave), curve, atol=4e-12)
    holed = np.where(TIME < 5, np.nan, curve + wave)
    assert np.isnan(without_ripple(holed)[:, :5]).all()
