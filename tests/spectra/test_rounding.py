"""Rounding that all sweeps share: its variance against simulated rounding, and the bands that hold it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

import sts
from sts.curves import make_smoother
from sts.plan import Plan
from sts.spectra.rounding import rounding_rows

BIAS = np.linspace(-1, 1, 201)
CURVE = 30 * BIAS**3 + 4 * BIAS  # steps
SMOOTHER = make_smoother(BIAS, width_V=0.1)


@pytest.mark.parametrize("sd", [0.02, 0.2])
def test_the_variance_is_that_of_rounding_over_all_places_of_the_zero(sd: float):
    """Simulated: the mean of forty sweeps of one curve, its zero anywhere between two steps; what remains of dI/dV."""
    rng = np.random.default_rng(1)
    errors = []
    for _ in range(150):
        middle = CURVE + rng.uniform(-0.5, 0.5)
        true = middle + sd * rng.standard_normal((40, BIAS.size))
        errors.append(SMOOTHER.differentiate(np.round(true).mean(axis=0) - true.mean(axis=0)))
    seen = np.sqrt(np.mean(np.square(errors)))
    rows = rounding_rows(np.round(CURVE + sd * rng.standard_normal((40, BIAS.size))), SMOOTHER)
    told = np.sqrt(np.mean((SMOOTHER.differentiate(rows) ** 2).sum(axis=0)))
    assert 0.8 * seen < told < 1.35 * seen


def test_sweeps_at_many_places_share_little():
    """Each zero somewhere else: what rounding does is in their scatter, and not counted twice."""
    rng = np.random.default_rng(2)
    same = np.round(CURVE + 0.02 * rng.standard_normal((40, BIAS.size)))
    apart = np.round(CURVE + rng.uniform(-0.5, 0.5, (40, 1)) + 0.02 * rng.standard_normal((40, BIAS.size)))
    alone, spread = (np.mean(rounding_rows(current, SMOOTHER) ** 2) for current in (same, apart))
    assert spread < 0.1 * alone
    total = (rounding_rows(same, SMOOTHER) ** 2).sum(axis=0)
    assert_allclose(total.mean(), 1 / 12, rtol=0.15)  # s²/12, in closed form


@pytest.mark.parametrize("step", [0.0, 0.5, 1.0])
def test_steps_that_the_noise_dithers_and_currents_without_steps_have_none(step: float):
    current = CURVE + np.random.default_rng(3).standard_normal((5, BIAS.size))
    current = step * np.round(current / step) if step else current
    assert rounding_rows(current, SMOOTHER).shape == (0, BIAS.size)


def test_the_band_of_the_mean_holds_what_its_sweeps_round_alike():
    """4 repeats in steps of 13 pA with noise of 0.5 pA: their scatter alone held 4 of 10 points."""
    plan = Plan.model_validate({"spectra": {"smoothing_width_V": 0.1, "offsets": "keep"}})
    table = sts.simulate_iv(density="flat", bias=(-1, 1, 201), sweeps=4, temperature_K=4.2, seed=1).sweeps
    rng = np.random.default_rng(5)
    true = CURVE + 0.3
    current = 1.3e-11 * np.round(true + 0.04 * rng.standard_normal(table.current.shape))
    spectrum = sts.average_spectrum(replace(table, current=current), plan)
    ideal = SMOOTHER.differentiate(1.3e-11 * true)
    inside = (spectrum.didv_low <= ideal) & (ideal <= spectrum.didv_high)
    assert inside[np.isfinite(spectrum.didv_low)].mean() > 0.85


@pytest.mark.parametrize("slope", [0.5, 1.0, 2.0])
def test_the_band_holds_a_current_that_rises_by_whole_steps_from_sample_to_sample(slope: float):
    """Lines within 2 % of the slope: their readings are as even as they, and 3 to 6 of 10 points were held."""
    plan = Plan.model_validate({"spectra": {"smoothing_width_V": 0.1, "offsets": "keep"}})
    table = sts.simulate_iv(density="flat", bias=(-1, 1, 201), sweeps=4, temperature_K=4.2, seed=1).sweeps
    rng, held = np.random.default_rng(8), []
    for _ in range(6):
        true = (slope + rng.uniform(-0.02, 0.02)) * np.arange(-100, 101) + rng.uniform(-0.5, 0.5)
        current = 1.3e-11 * np.round(true + 0.04 * rng.standard_normal(table.current.shape))
        spectrum = sts.average_spectrum(replace(table, current=current), plan)
        ideal, there = SMOOTHER.differentiate(1.3e-11 * true), np.isfinite(spectrum.didv_low)
        held.append(((spectrum.didv_low <= ideal) & (ideal <= spectrum.didv_high))[there].mean())
    assert np.mean(held) > 0.85
