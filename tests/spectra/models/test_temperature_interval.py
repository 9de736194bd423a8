"""The temperature that a superconducting gap allows, from curves integrated directly: held, bounded, or refused, never guessed."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from numpy.testing import assert_allclose

from sts.simulate import superconductor, tunnel_conductance
from sts.spectra.models import Measured
from sts.spectra.models.superconductor import superconducting_conductance
from sts.spectra.models.temperature_interval import TemperatureInterval, temperature_interval

BIAS = np.linspace(-5e-3, 5e-3, 81)
GAP = 1.35e-3  # lead


@cache
def curve(temperature: float, ratio: float) -> np.ndarray:
    """dI/dV by the virtual junction, which integrates the density of states by quadrature and shares nothing with the fit."""
    density = superconductor(gap_eV=GAP, broadening_eV=ratio * GAP)
    return np.asarray(tunnel_conductance(BIAS, density, temperature_K=temperature))


def found(temperature: float, ratio: float, *, bath: float, noise: float = 0.01, seed: int = 1) -> TemperatureInterval:
    measured = curve(temperature, ratio) + noise * np.random.default_rng(seed).standard_normal(BIAS.size)
    return temperature_interval(Measured(BIAS, measured, np.full(BIAS.size, noise), bath))


@pytest.mark.parametrize(("temperature", "ratio"), [(0.5, 0.05), (1.2, 0.2), (4.2, 0.02)])
def test_the_line_shape_is_that_of_direct_integration(temperature: float, ratio: float) -> None:
    shape = superconducting_conductance(BIAS, GAP, ratio * GAP, temperature_K=temperature)
    assert_allclose(shape, curve(temperature, ratio), atol=3e-4)


@pytest.mark.parametrize("bath", [0.1, 1.2, 4.0])
def test_it_is_found_wherever_the_bath_is(bath: float) -> None:
    one = found(1.2, 0.02, bath=bath)
    assert one.why == ""
    assert one.low < 1.2 < one.high
    assert one.low < one.value < one.high
    assert one.se < 0.05
    assert_allclose(one.se, (one.high - one.low) / (2 * 1.959964))  # of a normal distribution
    assert one.fit.verdict == "good"


def test_a_cold_one_under_a_broad_gap_is_bounded_from_above_only() -> None:
    one = found(0.15, 0.2, bath=0.15)
    assert np.isnan(one.value)
    assert np.isnan(one.se)
    assert one.low == 0
    assert 0.15 < one.high < 1.0
    assert "not told apart from Γ" in one.why


def test_few_degrees_of_freedom_widen_it() -> None:
    """Student's t at 97.5 %: 1.99 with 75 degrees of freedom, 4.30 with two (any table)."""
    noise = 0.01 * np.random.default_rng(3).standard_normal(BIAS.size)
    measured = Measured(BIAS, curve(2.0, 0.05) + noise, np.full(BIAS.size, 0.01), 2.0)
    many, few = temperature_interval(measured), temperature_interval(measured, dof=2)
    assert_allclose((few.high - few.low) / (many.high - many.low), 4.303 / 1.992, rtol=0.1)


def test_ties_between_points_widen_it() -> None:
    """Pairs of points with the same noise: half the information, √2 of the width."""
    seen, noise = np.repeat(np.arange(0, 80, 2), 2), np.full(80, 0.01)
    bias, didv = BIAS[:80], curve(2.0, 0.05)[:80]
    pairs = (seen[:, None] == seen[None, :]) * 1e-4
    alone = temperature_interval(Measured(bias, didv, noise, 2.0))
    tied = temperature_interval(Measured(bias, didv, noise, 2.0, covariance=pairs))
    assert_allclose((tied.high - tied.low) / (alone.high - alone.low), np.sqrt(2), rtol=0.05)


def test_what_is_no_such_gap_has_no_temperature() -> None:
    flat = temperature_interval(Measured(BIAS, np.ones(BIAS.size), np.full(BIAS.size, 0.01), 1.0))
    assert "a gap needs 25 %" in flat.why
    two = (curve(1.2, 0.2) + np.interp(1.5 * BIAS, BIAS, curve(1.2, 0.2))) / 2  # two gaps
    poor = temperature_interval(Measured(BIAS, two, np.full(BIAS.size, 0.003), 1.2))
    assert "does not describe the gap" in poor.why
    for one in (flat, poor):
        assert np.isnan([one.value, one.se, one.low, one.high]).all()
