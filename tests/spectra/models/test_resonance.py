"""Fano resonances and inelastic steps: planted lines come back with the broadening taken off."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from sts.spectra.models.lineshapes import fano, gaussian, inelastic_step, lorentzian
from sts.spectra.models.resonance import fit_fano, fit_inelastic_step
from sts.spectra.resolution import thermal_kernel, thermal_kernel_second

V = np.linspace(-0.04, 0.04, 161)


def broadened(shape, temperature):
    """Convolution with -df/dE by plain trapezoids on a fine grid: not the code under test."""
    e = np.linspace(-0.012, 0.012, 2401)
    return np.array([np.trapezoid(shape(v + e) * thermal_kernel(e, temperature), e) for v in V])


@pytest.mark.parametrize("q", [0.3, 1.5])
def test_a_fano_resonance_comes_back(q):
    rng = np.random.default_rng(3)
    clean = broadened(lambda v: fano(v, 2e-3, 12e-3, q, 1.0, 5.0), 4.2)
    fit = fit_fano(V, clean + 0.01 * rng.standard_normal(V.size), np.full(V.size, 0.01), temperature_K=4.2)
    assert fit.verdict == "good"
    for name, true in (("centre_V", 2e-3), ("width_V", 12e-3), ("q", q)):
        assert abs(fit.values[name] - true) < 3.5 * fit.errors[name]


def test_without_its_broadening_the_width_would_be_wrong():
    clean = broadened(lambda v: fano(v, 0.0, 3e-3, 0.0, 1.0, 5.0), 20.0)
    se = np.full(V.size, 1e-3)
    right = fit_fano(V, clean, se, temperature_K=20.0, width_V=5e-3)
    wrong = fit_fano(V, clean, se, temperature_K=0.0, width_V=5e-3)
    assert_allclose(right.values["width_V"], 3e-3, rtol=0.02)
    assert wrong.values["width_V"] > 1.5 * 3e-3


def test_an_inelastic_step_has_the_published_kernel():
    """d²I/dV² of the step is the kernel of Lambe and Jaklevic (1968), whose width 5.44 kT is checked elsewhere."""
    v = np.linspace(0.02, 0.04, 2001)
    g = inelastic_step(v, 0.03, 1.0, 0.0, temperature_K=10.0)
    assert_allclose(np.gradient(g, v), thermal_kernel_second(v - 0.03, 10.0), rtol=2e-3, atol=1e-2)
    assert_allclose(inelastic_step(np.array([0.5]), 0.03, 1.0, 0.0, temperature_K=10.0), 1.0, rtol=1e-6)


def test_a_planted_step_comes_back():
    rng = np.random.default_rng(1)
    g = inelastic_step(V, 0.018, 0.05, 1.0, temperature_K=8.0) + 0.002 * rng.standard_normal(V.size)
    fit = fit_inelastic_step(V, g, np.full(V.size, 0.002), temperature_K=8.0)
    assert fit.verdict == "good"
    assert abs(fit.values["energy_eV"] - 0.018) < 3.5 * fit.errors["energy_eV"]


def test_the_wrong_model_is_called_poor():
    g = 1 + gaussian(V, -0.01, 0.006, 1.0) + gaussian(V, 0.02, 0.004, 1.0)
    assert fit_fano(V, g, np.full(V.size, 0.01), temperature_K=4.2).verdict.startswith("poor")


def test_too_few_points_are_refused():
    with pytest.raises(ValueError, match="at least 10"):
        fit_fano(V[:5], V[:5], np.ones(5), temperature_K=4.2)


def test_peaks_have_their_width_at_half_height():
    for shape in (gaussian, lorentzian):
        assert_allclose(shape(np.array([0.05]), 0.0, 0.1, 2.0), 1.0)


def test_a_parameter_at_its_end_is_no_result():
    """A line without width: its error would be whatever rounding leaves of it."""
    v = np.linspace(-0.04, 0.04, 121)
    noise = 0.05 * np.random.default_rng(3).standard_normal(v.size)
    spike = np.where(np.abs(v) < 1e-4, 1.0, 0.0)
    fit = fit_fano(v, 1 + noise + spike, np.full(v.size, 0.05), temperature_K=0.0)
    assert fit.verdict.startswith("poor: width_V at the end")
    assert np.isnan(list(fit.errors.values())).all()
