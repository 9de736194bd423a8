"""Thermal and lock-in broadening: widths, variances, and what a large modulation does to an exponential."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from outside.rows import each
from scipy import special

from sts.quantities import BOLTZMANN_EV, THERMAL_WIDTH_FACTOR
from sts.spectra.resolution import modulation_kernel, resolution, thermal_kernel, thermal_kernel_second

NAN = float("nan")


def deviation(kernel, reach):
    x = np.linspace(-reach, reach, 400001)
    y = kernel(x)
    return np.sqrt(np.sum(x**2 * y) / np.sum(y))


@each("resolution", "th_fwhm_*")
def test_thermal_width_of_the_conductance(name, expected):
    assert_allclose(resolution(temperature_K=float(name.split("_")[2])).thermal_V * 1e3, expected, rtol=1e-9)


@each("resolution", "th_fwhm")
def test_thermal_width_in_kt(name, expected):
    assert_allclose(THERMAL_WIDTH_FACTOR, expected, rtol=1e-12)


@each("resolution", "th_rms", "iets_rms")
def test_thermal_kernels_have_the_published_deviation(name, expected):
    kernel = thermal_kernel if name == "th_rms" else thermal_kernel_second
    kT = BOLTZMANN_EV * 4.2
    assert_allclose(deviation(lambda x: kernel(x, 4.2), 50 * kT) / kT, expected, rtol=1e-6)


@each("resolution", "th_gauss")
def test_a_gaussian_of_the_same_variance_is_wider_than_the_thermal_kernel(name, expected):
    kT = BOLTZMANN_EV * 4.2
    gauss = 2 * np.sqrt(2 * np.log(2)) * deviation(lambda x: thermal_kernel(x, 4.2), 50 * kT) / kT
    assert_allclose(gauss, expected, rtol=1e-6)


@each("resolution", "iets_fwhm", "iets_fwhm_4.2", "iets_fwhm_77", "iets_fwhm_300")
def test_thermal_width_of_an_inelastic_step(name, expected):
    """Read off a grid of the exact kernel, by straight lines: good to 1e-4."""
    temperature = float(name.split("_")[2]) if name.count("_") == 2 else 1.0
    unit = 1e3 if name.count("_") == 2 else 1 / BOLTZMANN_EV
    assert_allclose(resolution(temperature_K=temperature, harmonic=2).thermal_V * unit, expected, rtol=1e-4)


@each("resolution", "iets_fwhm_lit")
def test_thermal_width_of_an_inelastic_step_as_the_handbook_prints_it(name, expected):
    width = resolution(temperature_K=1.0, harmonic=2).thermal_V / BOLTZMANN_EV
    assert width == pytest.approx(expected, abs=0.05)


@each("resolution", "mod1_peak", "mod1_rms", "mod2_peak", "mod2_rms")
def test_modulation_width(name, expected):
    rms = 1.0 if name.endswith("rms") else 1 / np.sqrt(2)
    found = resolution(temperature_K=NAN, modulation_rms_V=rms, harmonic=int(name[3]))
    assert_allclose(found.modulation_V, expected, rtol=2e-4)  # from a grid, by straight lines


@each("resolution", "mod1_var", "mod2_var")
def test_modulation_kernels_have_the_published_variance(name, expected):
    kernel = lambda x: modulation_kernel(x, 1.0, harmonic=int(name[3]))  # noqa: E731
    assert_allclose(deviation(kernel, 1.0) ** 2, expected, rtol=1e-6)


@each("resolution", "lock_exp1_*", "lock_exp2_*")
def test_a_modulated_exponential_reads_high_by_the_bessel_functions(name, expected):
    """Convolved with an exponential over V_peak/V0 = x, the kernels give 2 I1(x)/x and 8 I2(x)/x²; scipy beside."""
    harmonic, x = int(name[8]), float(name.split("_")[2])
    v = np.linspace(-1, 1, 200001)
    gain = np.trapezoid(modulation_kernel(v, 1.0, harmonic=harmonic) * np.exp(x * v), v)
    assert_allclose(gain, expected, rtol=1e-6)
    assert_allclose({1: 2 / x, 2: 8 / x**2}[harmonic] * special.iv(harmonic, x), expected, rtol=1e-10)


@each("resolution", "comb1_*", "comb2_*")
def test_thermal_and_modulation_broadening_together(name, expected):
    _, temperature, rms = name.split("_")
    found = resolution(
        temperature_K=float(temperature[:-1]), modulation_rms_V=float(rms[:-2]) * 1e-3, harmonic=int(name[4])
    )
    assert_allclose(found.total_V * 1e3, expected, rtol=5e-4)
