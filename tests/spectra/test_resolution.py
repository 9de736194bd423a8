"""Resolution against closed forms and published widths."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from sts.quantities import BOLTZMANN_EV
from sts.spectra.resolution import modulation_kernel, resolution, thermal_kernel, thermal_kernel_second


# resolution.csv, formula R1 (computed): 4 ln(1 + √2) kT.
@pytest.mark.parametrize(("temperature", "width_mV"), [(300, 91.1410791336), (77, 23.3928769776), (4.2, 1.27597510787)])
def test_thermal_width(temperature, width_mV):
    found = resolution(temperature_K=temperature)
    assert_allclose(found.thermal_V * 1e3, width_mV, rtol=1e-10)
    assert_allclose(found.total_V * 1e3, width_mV, rtol=1e-4)  # from the grid


def test_inelastic_thermal_width_is_the_published_one():
    """5.4 kT (J. Lambe, R. C. Jaklevic 1968, as quoted in a handbook: seen)."""
    found = resolution(temperature_K=4.2, harmonic=2)
    assert_allclose(found.thermal_V / (BOLTZMANN_EV * 4.2), 5.4388, rtol=1e-3)


# resolution.csv, formulae R3 and R4: √3 and 1.2166 times the peak amplitude.
@pytest.mark.parametrize(("harmonic", "factor"), [(1, np.sqrt(3)), (2, 1.2166)])
def test_modulation_width(harmonic, factor):
    found = resolution(temperature_K=float("nan"), modulation_rms_V=0.01 / np.sqrt(2), harmonic=harmonic)
    assert_allclose(found.total_V, factor * 0.01, rtol=2e-4)
    assert np.isnan(found.thermal_V)


def test_kernels_have_unit_area():
    e = np.linspace(-1, 1, 200001)
    assert_allclose(np.trapezoid(thermal_kernel(e, 300), e), 1, rtol=1e-6)
    assert_allclose(np.trapezoid(thermal_kernel_second(e, 300), e), 1, rtol=1e-5)
    for harmonic in (1, 2):
        assert_allclose(np.trapezoid(modulation_kernel(e, 0.1, harmonic=harmonic), e), 1, rtol=1e-5)


# resolution.csv, comb1_* and comb2_* (computed with mpmath, 8 digits): temperature [K], rms [mV], harmonic, width [mV].
@pytest.mark.parametrize(
    ("temperature", "rms_mV", "harmonic", "width_mV"),
    [
        (4.2, 1.0, 1, 2.46169809),
        (4.2, 0.5, 1, 1.61959588),
        (77.0, 5.0, 1, 25.3511325),
        (300.0, 10.0, 1, 93.1814073),
        (300.0, 50.0, 1, 136.75868),
        (4.2, 1.0, 2, 2.49494643),
        (4.2, 2.0, 2, 3.7572701),
    ],
)
def test_thermal_and_modulation_broadening_together(temperature, rms_mV, harmonic, width_mV):
    """The quadratic sum would be 1 to 12 % too large."""
    found = resolution(temperature_K=temperature, modulation_rms_V=rms_mV * 1e-3, harmonic=harmonic)
    assert_allclose(found.total_V * 1e3, width_mV, rtol=5e-4)  # the grid of the convolution
    assert found.total_V < np.hypot(found.thermal_V, found.modulation_V)


def test_gaussians_do_add_in_quadrature():
    """Closed form for Gaussian kernels, through the same convolution."""
    from sts.spectra.resolution import _convolved_width

    x = np.linspace(-1, 1, 20001)
    parts = [(x, np.exp(-0.5 * (x / s) ** 2)) for s in (0.03, 0.04)]
    assert_allclose(_convolved_width(parts), 0.05 * 2 * np.sqrt(2 * np.log(2)), rtol=1e-4)


def test_lag_and_smoothing_enter():
    box = (np.linspace(-0.02, 0.02, 41), np.ones(41))
    found = resolution(temperature_K=4.2, smoothing_kernel=box, lag_V=0.005)
    assert_allclose(found.lag_V, np.log(2) * 0.005)
    assert_allclose(found.smoothing_V, 0.04, rtol=0.06)
    assert found.total_V > found.smoothing_V * 0.99


def test_nothing_known_is_said_so():
    assert np.isnan(resolution(temperature_K=float("nan")).total_V)


def test_an_unknown_harmonic_is_refused():
    with pytest.raises(ValueError, match="must be 1"):
        modulation_kernel(0.0, 0.1, harmonic=3)


def test_the_total_is_never_less_than_its_widest_part():
    """The width at half height of a semicircle shrinks by 6 % when it is convolved with a parabola of 0.46 of its width."""
    offsets = np.linspace(-1, 1, 401)
    for width_V in (0.005, 0.02, 0.04):
        kernel = (offsets * width_V, np.maximum(1 - 2 * offsets**2, 0.0))
        found = resolution(temperature_K=0.4, modulation_rms_V=0.018, smoothing_kernel=kernel)
        assert found.total_V >= max(found.thermal_V, found.modulation_V, found.smoothing_V)
