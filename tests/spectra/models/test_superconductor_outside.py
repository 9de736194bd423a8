"""What weak-coupling theory says of a superconductor, beyond the table of Mühlschlegel: ratios, limits, peaks.

superconductivity.csv: formulae S1 to S5, status computed (mpmath, 25 digits; the gap equation by its integral form, ours
is the Matsubara sum). Not used: Tc and 2Δ of elements (status memory), `dynes_formula` (no number).
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import optimize

from sts.quantities import BOLTZMANN_EV
from sts.spectra.models.gap_equation import ZERO_RATIO, gap_ratio
from sts.spectra.models.superconductor import superconducting_conductance

GAP_EQUATION = [  # bcs_*: T/Tc, Δ(T)/Δ(0)
    (0.18, 0.999956087399),
    (0.20, 0.999876762046),
    (0.22, 0.999711887456),
    (0.24, 0.999412717302),
    (0.26, 0.998922656753),
    (0.28, 0.998180576284),
    (0.30, 0.99712376249),
    (0.32, 0.995690155793),
    (0.34, 0.993819814243),
    (0.36, 0.991455699623),
    (0.38, 0.988543938795),
    (0.40, 0.985033712407),
    (0.42, 0.98087689682),
    (0.44, 0.976027552412),
    (0.46, 0.97044132124),
    (0.48, 0.964074772538),
    (0.50, 0.956884715875),
    (0.52, 0.948827487893),
    (0.54, 0.939858208099),
    (0.56, 0.929929990733),
    (0.58, 0.918993092137),
    (0.60, 0.906993965135),
    (0.62, 0.893874182436),
    (0.64, 0.879569178793),
    (0.66, 0.86400674448),
    (0.68, 0.847105178099),
    (0.70, 0.828770970448),
    (0.72, 0.808895836404),
    (0.74, 0.787352826919),
    (0.76, 0.763991118318),
    (0.78, 0.738628854651),
    (0.80, 0.711043042386),
    (0.82, 0.68095482918),
    (0.84, 0.648007255078),
    (0.86, 0.611730106977),
    (0.88, 0.571481285024),
    (0.90, 0.526341934551),
    (0.92, 0.474910746247),
    (0.94, 0.414844656498),
    (0.96, 0.341607933917),
    (0.98, 0.243583333878),
    (0.05, 1.0),
    (0.1, 0.999999987045),
    (0.15, 0.999994343533),
    (0.25, 0.99919530023),
    (0.75, 0.775909847804),
    (0.95, 0.380316949882),
    (0.99, 0.17295385408),
    (0.999, 0.0548955491316),
]


def test_the_ratio_of_gap_to_critical_temperature():
    """ratio, ratio_half (S1); ratio_lit: 3.528 in print (status seen: F. E. Wagner, BCS gap calculator page)."""
    assert_allclose(ZERO_RATIO, 1.76387698886205, rtol=1e-12)
    assert_allclose(2 * ZERO_RATIO, 3.52775397772409, rtol=1e-12)
    assert_allclose(2 * ZERO_RATIO, 3.528, atol=5e-4)


@pytest.mark.parametrize(("temperature", "ratio"), GAP_EQUATION)
def test_the_gap_equation_agrees_with_its_integral_form(temperature, ratio):
    assert_allclose(gap_ratio(temperature), ratio, rtol=2e-6, atol=1e-9)


def test_close_to_the_critical_temperature_the_gap_opens_as_a_root():
    """near_Tc_D0 (S2): 1.73666094682702 √(1 - T/Tc); near_Tc: 3.06325628156355 in units of kTc."""
    found = gap_ratio(0.9999) / np.sqrt(1e-4)
    assert_allclose(found, 1.73666094682702, rtol=2e-4)
    assert_allclose(found * ZERO_RATIO, 3.06325628156355, rtol=2e-4)


def test_the_usual_shortcut_is_no_substitute():
    """tanh_err (S3): tanh(1.74 √(Tc/T - 1)) is up to 0.0174 off, at T/Tc = 0.57."""
    t = np.arange(0.30, 0.90, 0.01)
    off = np.tanh(1.74 * np.sqrt(1 / t - 1)) - gap_ratio(t)
    assert t[np.argmax(np.abs(off))] == pytest.approx(0.57, abs=0.011)
    assert off[np.argmax(np.abs(off))] == pytest.approx(-0.0174, abs=2e-4)


@pytest.mark.parametrize(
    ("gap", "temperature", "peak", "height"),
    [(1.35, 4.2, 1.923930, 1.335845), (1.35, 1.3, 1.490782, 2.086056), (0.18, 0.3, 0.215274, 1.664723)],
)
def test_coherence_peaks_lie_outside_the_gap(gap, temperature, peak, height):
    """peak_D* (S5): half of their separation is 1.1 to 1.43 Δ."""

    def below(bias_mV):
        return -float(superconducting_conductance([bias_mV * 1e-3], gap * 1e-3, 0.0, temperature_K=temperature)[0])

    found = optimize.minimize_scalar(below, bounds=(gap, 2 * gap), method="bounded", options={"xatol": 1e-7})
    assert_allclose(-found.fun, height, rtol=1e-4)
    assert_allclose(found.x, peak, rtol=2e-3)  # the top is flat


@pytest.mark.parametrize(
    ("gap", "temperature", "low", "full"),
    [
        (1.35, 1.3, 5.08139422825e-5, 5.2356424e-5),
        (1.35, 4.2, 0.116149414882, 0.123003836),
        (0.18, 0.3, 0.00626054589593, 0.00657560111),
    ],
)
def test_zero_bias_conductance_and_its_low_temperature_form(gap, temperature, low, full):
    """zbc_low_* (S5): √(2πΔ/kT) exp(-Δ/kT), 3 to 6 % below the integral."""
    x = gap * 1e-3 / (BOLTZMANN_EV * temperature)
    assert_allclose(np.sqrt(2 * np.pi * x) * np.exp(-x), low, rtol=1e-9)
    found = superconducting_conductance([0.0, 1e-3 * gap], gap * 1e-3, 0.0, temperature_K=temperature)[0]
    assert_allclose(found, full, rtol=1e-3, atol=1e-7)
