"""Inelastic steps: the published kernel, and planted steps that come back."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from sts.spectra.models import Measured
from sts.spectra.models.inelastic import fit_inelastic_step, inelastic_step
from sts.spectra.resolution import thermal_kernel_second

V = np.linspace(-0.04, 0.04, 161)


def test_an_inelastic_step_has_the_published_kernel():
    """d²I/dV² of the step is the kernel of Lambe and Jaklevic (1968), whose width 5.44 kT is checked elsewhere."""
    v = np.linspace(0.02, 0.04, 2001)
    g = inelastic_step(v, 0.03, 1.0, 0.0, temperature_K=10.0)
    assert_allclose(np.gradient(g, v), thermal_kernel_second(v - 0.03, 10.0), rtol=2e-3, atol=1e-2)
    assert_allclose(inelastic_step(np.array([0.5]), 0.03, 1.0, 0.0, temperature_K=10.0), 1.0, rtol=1e-6)


@pytest.mark.parametrize(("energy", "size"), [(0.018, 0.05), (0.006, 0.05), (0.033, -0.04)])
def test_a_planted_step_comes_back(energy, size):
    rng = np.random.default_rng(1)
    g = inelastic_step(V, energy, size, 1.0, temperature_K=8.0) + 0.002 * rng.standard_normal(V.size)
    fit = fit_inelastic_step(Measured(V, g, np.full(V.size, 0.002), temperature_K=8.0))
    assert fit.verdict == "good"
    assert abs(fit.values["energy"] - energy) < 3.5 * fit.errors["energy"]
    assert abs(fit.values["size"] - size) < 3.5 * fit.errors["size"]


def test_a_step_without_a_temperature_is_refused():
    """Its width is that of the temperature; without one there is no line shape."""
    for temperature, words in ((0.0, "temperature is zero"), (np.nan, "not recorded")):
        fit = fit_inelastic_step(Measured(V, V, np.ones(V.size), temperature_K=temperature))
        assert fit.verdict.startswith("refused")
        assert words in fit.verdict
