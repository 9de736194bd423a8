"""The ideal junction against closed forms, tables and an outside integrator."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import constants, integrate

from sts.quantities import BARRIER_PER_DECAY_SQUARED, BOLTZMANN_EV, decay_from_barrier
from sts.simulate import (
    DENSITIES,
    Density,
    Junction,
    flat,
    gapped,
    lockin_conductance,
    make_density,
    planar_current_density,
    simulate_iv,
    superconductor,
    tunnel_conductance,
    tunnel_current,
    v_shaped,
)

V = np.linspace(-0.5, 0.5, 11)


@pytest.mark.parametrize("temperature", [0.3, 4.2, 77.0, 295.0])
def test_flat_densities_make_an_ohmic_junction(temperature):
    """I = G V exactly, at any temperature (closed form)."""
    assert_allclose(tunnel_current(V, flat(), temperature_K=temperature), V, atol=1e-13)
    assert_allclose(tunnel_conductance(V, flat(), temperature_K=temperature), 1.0, rtol=1e-8)


# N-I-S conductance over its normal value: convolution of the ideal or the Dynes density with -df/dE, computed with mpmath
# at 25 digits and again with scipy (formulae: M. Tinkham, Introduction to Superconductivity, 2nd ed., section 3.8).
# Gap, broadening [meV], temperature [K], bias [mV]; ids nis_D1.35_T4.2_V0 and so on; all of status computed.
NIS = [
    (1.35, 0.0, 4.2, 0.0, 0.123003835843), (1.35, 0.0, 4.2, 0.5, 0.239307137698), (1.35, 0.0, 4.2, 1.0, 0.656898258527),
    (1.35, 0.0, 4.2, 1.35, 1.05622048121), (1.35, 0.0, 4.2, 2.0, 1.33278655078), (1.35, 0.0, 4.2, 5.0, 1.04135430701),
    (0.18, 0.0, 0.3, 0.0, 0.00657560111107), (0.18, 0.0, 0.3, 0.1, 0.148277733095), (0.18, 0.0, 0.3, 0.18, 1.35940138109),
    (0.18, 0.0, 0.3, 0.25, 1.53075001119), (0.18, 0.0, 0.3, 1.0, 1.01672264946), (1.5, 0.0, 4.2, 1.5, 1.09924804341),
    (1.35, 0.05, 4.2, 0.0, 0.167172117331), (1.35, 0.05, 4.2, 1.6, 1.21827647325), (1.35, 0.05, 1.3, 0.7, 0.0819347133081),
    (1.35, 0.05, 1.3, 1.35, 1.55811371342), (1.35, 0.05, 1.3, 1.6, 1.82221368299), (1.35, 0.05, 1.3, 4.0, 1.06290656124),
]  # fmt: skip


@pytest.mark.parametrize(("gap", "broadening", "temperature", "bias", "conductance"), NIS)
def test_a_superconductor_gives_the_tabulated_conductance(gap, broadening, temperature, bias, conductance):
    density = superconductor(gap_eV=gap * 1e-3, broadening_eV=broadening * 1e-3)
    found = tunnel_conductance(np.array([bias * 1e-3]), density, temperature_K=temperature)
    assert_allclose(found, conductance, rtol=2e-8)


# |Re[(E - iΓ)/√((E - iΓ)² - Δ²)]| at Δ = 1: ids dynes_E0_D1_G0.01 and so on, status computed.
@pytest.mark.parametrize(
    ("energy", "broadening", "value"),
    [(0.0, 0.01, 0.0099995000375), (0.9, 0.01, 0.120041539746), (1.0, 0.01, 5.03757785047), (2.0, 0.1, 1.15279281966)],
)
def test_the_broadened_density_is_the_published_formula(energy, broadening, value):
    density = superconductor(gap_eV=1.0, broadening_eV=broadening)
    assert_allclose(density([energy, -energy]), value, rtol=1e-9)


def test_a_structured_tip_mirrors_the_bias():
    """Tip and sample change places when the bias is turned: I(V) of one is -I(-V) of the other (exact symmetry)."""
    bumps = Density("bumps", lambda e: 1 + np.exp(-(((e - 0.2) / 0.05) ** 2)))
    v = np.array([-0.4, -0.1, 0.15, 0.3])
    sample = tunnel_current(v, bumps, temperature_K=77.0)
    tip = tunnel_current(-v, Junction(flat(), bumps), temperature_K=77.0)
    assert_allclose(sample, -tip, rtol=1e-10)


def test_two_superconductors_have_a_gap_of_twice_the_size():
    """Below (Δ1 + Δ2)/e and far below Tc no current flows (textbook)."""
    both = superconductor(gap_eV=1e-3)
    current = tunnel_current(np.array([1.8e-3, 2.2e-3]), Junction(both, both), temperature_K=0.3)
    assert current[0] < 1e-6 * 1.8e-3
    assert current[1] > 1e-3


def test_a_step_in_the_density_is_as_wide_as_the_temperature():
    """10 to 90 % of a Fermi edge is 2 ln 9 kT = 4.394 kT (id th_edge, exact)."""
    step = Density("step", lambda e: (e > 0.2).astype(float), (0.2,))
    v = np.linspace(0.1, 0.3, 801)
    g = tunnel_conductance(v, step, temperature_K=77.0)
    width = np.interp(0.9, g, v) - np.interp(0.1, g, v)
    assert_allclose(width / (BOLTZMANN_EV * 77), 4.39444915467, rtol=1e-3)


# Width at half height of thermal and lock-in kernel together [mV]: ids comb1_4.2K_1mV, comb1_77K_5mV, status computed.
@pytest.mark.parametrize(
    ("temperature", "modulation_mV", "width_mV"), [(4.2, 1.0, 2.46169809), (4.2, 0.5, 1.61959588), (77.0, 5.0, 25.3511325)]
)  # fmt: skip
def test_a_lockin_widens_a_sharp_level_as_tabulated(temperature, modulation_mV, width_mV):
    half = width_mV * 5e-6  # a level narrow against the kernel [eV]
    level = Density("level", lambda e: (np.abs(e) < half).astype(float), (-half, half))
    v = np.linspace(0.35, 0.65, 61) * width_mV * 1e-3
    options = {"temperature_K": temperature, "modulation_rms_V": modulation_mV * 1e-3}
    g = lockin_conductance(v, level, **options) / lockin_conductance(0.0, level, **options)
    assert_allclose(2 * np.interp(-0.5, -g, v) * 1e3, width_mV, rtol=2e-4)


def test_a_linear_density_makes_a_quadratic_current():
    """I ~ V|V|, so (dI/dV)/(I/V) is 2 (closed form); the temperature matters below a few kT only."""
    v = np.array([-0.5, 0.3, 0.8])
    density = v_shaped(floor=0.0, per_eV=2.0)
    ratio = tunnel_conductance(v, density, temperature_K=1.0) * v / tunnel_current(v, density, temperature_K=1.0)
    assert_allclose(ratio, 2.0, rtol=1e-5)


def test_the_transmission_is_that_of_the_mean_barrier():
    """At 0.01 K against scipy's integrator, an outside routine, between the two Fermi levels."""
    barrier, gap, volt = 4.0, 0.8e-9, 1.2

    def transmission(energy):
        return np.exp(-gap * (decay_from_barrier(barrier + volt / 2 - energy) - decay_from_barrier(barrier)))

    expected, _ = integrate.quad(transmission, 0, volt, epsabs=0, epsrel=1e-10)
    found = tunnel_current(np.array([volt]), Junction(flat(), barrier_eV=barrier, gap_m=gap), temperature_K=0.5)
    assert_allclose(found, expected, rtol=1e-6)


# WKB through the mean barrier, J [A/cm²] at barrier [eV], gap [Å], bias [V]: ids mean_4eV_7A_0.1V and so on, computed by
# numerical integration; the closed form of Simmons (1963) is 0.79-0.82 of it.
@pytest.mark.parametrize(
    ("barrier", "gap", "bias", "density"),
    [(4.0, 7, 0.01, 56.863069907), (4.0, 7, 1.0, 6434.48644574), (2.0, 10, 0.1, 244.396105837), (1.0, 15, 0.5, 409.147187377),
     (4.5, 6, 0.5, 13304.7894246)],
)  # fmt: skip
def test_planar_currents_are_those_of_the_integral(barrier, gap, bias, density):
    assert_allclose(planar_current_density(bias, gap * 1e-10, barrier) / 1e4, density, rtol=1e-9)


def test_a_planar_junction_has_the_exact_low_voltage_conductance():
    """G0 = (J0/2s²)(x + 1) e^-x, x = s√(8mφ)/ħ (ids g0exact_*), J0 = e²/2πh."""
    s, barrier, bias = 0.7e-9, 4.0, 1e-4
    x = s * decay_from_barrier(barrier)
    expected = constants.e**2 / (2 * np.pi * constants.h) / (2 * s**2) * (x + 1) * np.exp(-x)
    assert_allclose(planar_current_density(bias, s, barrier) / bias, expected, rtol=1e-6)


# (ħ²/8m)(d ln G/ds)² at zero bias for a true barrier: ids phiapp0_4eV_7A, phiapp0_4.5eV_6A, phiapp0_1eV_15A, exact.
@pytest.mark.parametrize(
    ("barrier", "gap", "apparent"), [(4.0, 7, 4.61608933494), (4.5, 6, 5.26961588925), (1.0, 15, 1.14284357512)]
)
def test_planar_junctions_do_not_give_their_barrier_back(barrier, gap, apparent):
    s = gap * 1e-10 + np.array([-1, 1]) * 1e-14
    slope = np.diff(np.log(planar_current_density(1e-3, s, barrier)))[0] / 2e-14
    assert_allclose(BARRIER_PER_DECAY_SQUARED * slope**2, apparent, rtol=1e-5)


@pytest.mark.parametrize("name", DENSITIES)
def test_every_density_is_positive_and_makes_a_growing_current(name):
    made = simulate_iv(density=name, bias=(-1.0, 1.0, 41), temperature_K=77.0)
    assert (np.diff(made.clean) >= 0).all()
    assert (made.conductance > -1e-20).all()


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: make_density("nope"), "Known: flat"),
        (lambda: make_density("gapped", width=1.0), "cannot be made"),
        (lambda: gapped(valence_eV=0.5, conduction_eV=-0.5), "must lie below"),
        (lambda: tunnel_current(V, flat(), temperature_K=0.0), "above 0"),
        (lambda: tunnel_current(np.array([9.0]), Junction(flat(), gap_m=7e-10), temperature_K=77), "above the barrier"),
        (lambda: planar_current_density(9.0, 7e-10, 4.0), "twice the barrier"),
    ],
)
def test_what_cannot_be_simulated_is_refused(call, words):
    with pytest.raises(ValueError, match=words):
        call()
