"""Fano resonances: planted lines come back with the broadening taken off."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from sts.spectra.models import Measured
from sts.spectra.models.resonance import fano, fit_fano
from sts.spectra.resolution import thermal_kernel

V = np.linspace(-0.04, 0.04, 161)


def broadened(shape, temperature):
    """Convolution with -df/dE by plain trapezoids on a fine grid: not the code under test."""
    e = np.linspace(-0.012, 0.012, 2401)
    return np.array([np.trapezoid(shape(v + e) * thermal_kernel(e, temperature), e) for v in V])


def fit(didv, noise, temperature_K=4.2):
    return fit_fano(Measured(V, didv, np.full(V.size, noise), temperature_K))


@pytest.mark.parametrize("q", [0.3, 1.5])
def test_a_fano_resonance_comes_back(q):
    rng = np.random.default_rng(3)
    clean = broadened(lambda v: fano(v, 2e-3, 12e-3, q, 1.0, 5.0), 4.2)
    found = fit(clean + 0.01 * rng.standard_normal(V.size), 0.01)
    assert found.verdict == "good"
    for name, true in (("centre", 2e-3), ("width", 12e-3), ("q", q)):
        assert abs(found.values[name] - true) < 3.5 * found.errors[name]


@pytest.mark.parametrize(("centre", "width", "q"), [(-0.022, 3e-3, 0.1), (0.025, 4e-3, -2.0), (0.0, 2e-3, 8.0)])
def test_a_narrow_line_anywhere_is_found(centre, width, q):
    """A start in the middle with a sixth of the range misses these: the least squares has valleys of its own there."""
    found = fit(fano(V, centre, width, q, 1.0, 5.0), 1e-3, temperature_K=0.0)
    assert found.verdict == "good"
    assert_allclose([found.values[n] for n in ("centre", "width", "q")], [centre, width, q], rtol=1e-3, atol=1e-6)


def test_extremes_of_the_line_are_those_of_the_paper():
    """Zero at ε = -q and largest, 1 + q², at ε = 1/q: Fano (1961), below eq. 21."""
    q, half = 1.6, 5e-3
    assert_allclose(fano(-q * half, 0.0, 2 * half, q, 2.0, 0.5), 0.5)
    assert_allclose(fano(half / q, 0.0, 2 * half, q, 2.0, 0.5), 0.5 + 2 * (1 + q**2))


def test_without_its_broadening_the_width_would_be_wrong():
    clean = broadened(lambda v: fano(v, 0.0, 3e-3, 0.0, 1.0, 5.0), 20.0)
    right, wrong = fit(clean, 1e-3, 20.0), fit(clean, 1e-3, 0.0)
    assert_allclose(right.values["width"], 3e-3, rtol=0.02)
    assert wrong.values["width"] > 1.5 * 3e-3


def test_the_wrong_model_is_called_poor():
    def peak(centre, width):
        return np.exp(-4 * np.log(2) * ((V - centre) / width) ** 2)

    assert fit(1 + peak(-0.01, 0.006) + peak(0.02, 0.004), 0.01, temperature_K=0.0).verdict.startswith("poor")


def test_a_parameter_at_its_end_is_no_result():
    """A line without width: its error would be whatever rounding leaves of it."""
    v = np.linspace(-0.04, 0.04, 121)
    noise = 0.05 * np.random.default_rng(3).standard_normal(v.size)
    spike = np.where(np.abs(v) < 1e-4, 1.0, 0.0)
    found = fit_fano(Measured(v, 1 + noise + spike, np.full(v.size, 0.05), temperature_K=0.0))
    assert found.verdict.startswith("poor: width")
    assert "at the end of what was allowed" in found.verdict
    assert np.isnan(list(found.errors.values())).all()
