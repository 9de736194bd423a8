"""Constants, units and the φ ↔ decay relation, against CODATA values and tables from outside."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from sts.quantities import (
    BARRIER_PER_DECAY_SQUARED,
    BOLTZMANN_EV,
    CONDUCTANCE_QUANTUM,
    ELECTRON_MASS,
    ELEMENTARY_CHARGE,
    HBAR,
    LEAST_BIAS,
    barrier_from_decay,
    decay_from_barrier,
    find_unit,
    range_with_prefix,
    scale_for,
    thermal_width,
    with_prefix,
)

# constants.csv, status "seen": CODATA 2022 (NIST; Mohr, Newell, Taylor & Tiesinga).
CODATA_2022 = {
    "e": (ELEMENTARY_CHARGE, 1.602176634e-19),
    "me": (ELECTRON_MASS, 9.1093837139e-31),
    "hbar": (HBAR, 1.0545718176461565e-34),
    "kB/e": (BOLTZMANN_EV, 8.617333262e-5),
    "G0": (CONDUCTANCE_QUANTUM, 7.748091729e-5),
}


@pytest.mark.parametrize("name", CODATA_2022)
def test_constants_are_those_of_codata_2022(name):
    ours, published = CODATA_2022[name]
    assert_allclose(ours, published, rtol=1e-9)  # printed digits of the rounded ones


def test_barrier_prefactor_is_the_published_one():
    """ħ²/8m = 0.9525 eV Å² (constants.csv Capp, computed by mpmath at 25 digits, formula C1)."""
    assert_allclose(BARRIER_PER_DECAY_SQUARED * 1e20, 0.952495527742, rtol=2e-9)  # CODATA 2018 to 2022 moves m_e


# constants.csv / formula C2, computed with mpmath: φ [eV] -> 2κ [1/Å] = 1.0246334... sqrt(φ).
@pytest.mark.parametrize("barrier", [0.1, 0.5, 1.0, 2.0, 3.0, 4.0, 4.5, 5.0, 5.5])
def test_decay_goes_with_the_root_of_the_barrier(barrier):
    assert_allclose(decay_from_barrier(barrier) * 1e-10, 1.02463344463 * np.sqrt(barrier), rtol=1e-9)
    assert_allclose(barrier_from_decay(decay_from_barrier(barrier)), barrier, rtol=1e-14)


def test_confusing_the_two_kappas_is_a_factor_of_four():
    """Some papers call the wave function's decay κ (common practice): half the slope of ln I."""
    decay = decay_from_barrier(4.0)
    assert_allclose(barrier_from_decay(decay / 2), 1.0)


# resolution.csv th_fwhm_*, computed, formula R1: 4 ln(1+√2) kT.
@pytest.mark.parametrize(("temperature", "width_mV"), [(300, 91.1410791336), (77, 23.3928769776), (4.2, 1.27597510787)])
def test_thermal_width_of_a_tunnelling_conductance(temperature, width_mV):
    assert_allclose(thermal_width(temperature) * 1e3, width_mV, rtol=1e-10)


@pytest.mark.parametrize(
    ("text", "expected", "dimension", "factor"),
    [
        ("nA", "", "current", 1e-9),
        ("pA", "", "current", 1e-12),
        ("mV", "", "bias", 1e-3),
        ("MV", "", "bias", 1e6),
        ("µV", "", "bias", 1e-6),  # micro sign
        ("μV", "", "bias", 1e-6),  # Greek mu
        ("uV", "", "bias", 1e-6),
        ("Å", "", "length", 1e-10),  # letter
        ("A\u030a", "", "length", 1e-10),  # decomposed
        ("\u212b", "", "length", 1e-10),  # ångström sign
        ("A", "length", "length", 1e-10),
        ("A", "current", "current", 1.0),
        ("nS", "", "conductance", 1e-9),
        ("nA/V", "", "conductance", 1e-9),
        ("Ohm", "", None, None),
        ("kohm", "", "resistance", 1e3),
        ("ms", "", "time", 1e-3),
        ("min", "", "time", 60.0),
        ("amps", "", None, None),
        ("a.u.", "", None, None),
        ("mv", "", None, None),  # not guessed: capitals count
        ("", "", None, None),
    ],
)
def test_units_are_recognised_strictly(text, expected, dimension, factor):
    unit = find_unit(text, expected=expected)
    if dimension is None:
        assert unit is None
    else:
        assert unit is not None
        assert unit.dimension == dimension
        assert_allclose(unit.factor, factor)


@pytest.mark.parametrize(
    ("value", "factor", "unit"),
    [(2e-10, 1e12, "pA"), (3e-9, 1e9, "nA"), (5e-7, 1e9, "nA"), (1.5, 1.0, "A"), (4e-16, 1e18, "aA"), (0.0, 1.0, "A")],
)
def test_prefixes_make_the_largest_value_read_as_one_to_a_thousand(value: float, factor: float, unit: str) -> None:
    got, name = scale_for([0.0, -value, np.nan], "A")
    assert name == unit
    assert_allclose(got, factor)


@pytest.mark.parametrize(
    ("value", "unit", "digits", "words"),
    [
        (0.012, "K", 3, "12 mK"), (295.0, "K", 3, "295 K"), (0.0044, "meV", 3, "4.4 µeV"), (261.3, "meV", 3, "261 meV"),
        (1148.8, "meV", 4, "1149 meV"), (12345.0, "meV", 3, "12.3 eV"), (-6e-3, "V", 3, "-6 mV"), (0.0, "V", 3, "0 V"),
        (324.61, "pA", 4, "324.6 pA"), (0.3, "pA", 3, "300 fA"), (np.nan, "K", 3, "nan K"), (999.96, "nV", 4, "1000 nV"),
    ],
)  # fmt: skip
def test_a_number_is_told_in_the_unit_that_suits_it(value, unit, digits, words):
    assert with_prefix(value, unit, digits) == words


def test_a_range_has_one_unit_and_a_bias_of_half_a_volt_stays_in_volts():
    assert range_with_prefix(-0.006, 0.006, "V") == "-6 to 6 mV"
    assert range_with_prefix(-0.5, 0.5, "V", least=LEAST_BIAS) == "-0.5 to 0.5 V"
    assert range_with_prefix(-0.1, 0.1, "V", least=LEAST_BIAS) == "-100 to 100 mV"
    assert range_with_prefix(0.14, 0.1401, "eV") == "140 meV"
