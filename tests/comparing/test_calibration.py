"""The height scale and the model bounds against published step heights and closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import constants

from sts.comparing import STEP_HEIGHTS, calibration_factor
from sts.comparing.calibration import calibrate, temperature_of


def test_step_heights_follow_from_published_lattice_constants():
    # gr_c_mtu: c = 6.7079 Å, JCPDS 25-284 (seen); au_a: a = 4.0786 Å, JCPDS 1974 (seen); silicon: CODATA 2022.
    assert_allclose(STEP_HEIGHTS["graphite"].height_nm, 0.67079 / 2, rtol=1e-9)
    assert_allclose(STEP_HEIGHTS["au111"].height_nm, 0.40786 / math.sqrt(3), atol=5e-7)
    silicon = constants.physical_constants["lattice parameter of silicon"][0] * 1e9
    assert_allclose(STEP_HEIGHTS["si111"].height_nm, silicon / math.sqrt(3), atol=5e-8)


def test_graphite_uncertainty_covers_the_published_values():
    step = STEP_HEIGHTS["graphite"]
    # c/2 [nm]: Howe et al. 2003 (seen), Trucano and Chen 1975 (seen), IUPAC Gold Book H02818 (seen)
    for c in (0.67106, 0.6711, 0.6708):
        assert abs(c / 2 - step.height_nm) < 2 * step.se_nm


@pytest.mark.parametrize(
    ("scale", "ratio"),  # zcal_0.80 ... zcal_1.20: true over apparent barrier, closed form 1/c²
    [(0.80, 1.5625), (0.90, 1.23456790123), (0.95, 1.108033241), (1.05, 0.907029478458), (1.20, 0.694444444444)],
)
def test_barrier_goes_with_the_inverse_square_of_the_factor(scale: float, ratio: float):
    calibration = calibration_factor(0.335395 / scale, 0.0, "graphite")
    assert_allclose(calibration.factor, scale)
    assert_allclose(calibration.barrier(4.0), 4.0 * ratio, rtol=1e-10)


def test_relative_uncertainties_add_in_quadrature_and_enter_a_barrier_twice():
    """GUM (JCGM 100:2008) 5.1.6: relative variances of a quotient add; exponent -2 doubles the result."""
    calibration = calibration_factor(2.0, 0.06, 2.1, 0.084)
    assert_allclose(calibration.relative_se, 0.05)  # 3 % and 4 %
    assert_allclose(calibration.barrier_se(4.5), 0.45)  # 5 % of height is 10 % of barrier


def test_stated_uncertainty_of_the_factor_covers():
    rng = np.random.default_rng(5)
    hits = [
        abs(c.factor - 1.05) < 1.96 * c.factor_se
        for c in (calibration_factor(m, 0.01, "graphite") for m in 0.335395 / 1.05 + 0.01 * rng.normal(size=4000))
    ]
    assert 0.93 < np.mean(hits) < 0.97


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        ((0.34, 0.01, "gold"), "'gold' is not a known step; known are graphite, au111, si111"),
        ((0.0, 0.01, "graphite"), "measured is 0; a height must be positive"),
        ((0.34, -0.01, "graphite"), "measured_se is -0.01"),
        ((0.34, 0.01, float("nan")), "known is nan"),
    ],
)
def test_unusable_step_is_refused_with_the_number(arguments: tuple, text: str):
    with pytest.raises(ValueError, match=text):
        calibration_factor(*arguments)


@pytest.mark.parametrize(
    ("measured", "measured_se"),
    [
        ("0.242 nm", "0.004 nm"),
        ("242 pm", "4 pm"),
        ("2.42 Å", "0.04 Å"),
        ("0,242 nm", "4e-3 nm"),
        ("2.42e-10 m", "4e-12 m"),
    ],
)
def test_quantities_are_read_with_their_units(measured: str, measured_se: str):
    """A step of Au(111), 0.235478 nm (au_111: JCPDS 1974, seen); A is ångström for a length."""
    found = calibrate("height", measured=measured, measured_se=measured_se, known="au111", source="bench book p. 12")
    assert_allclose(found.factor, 0.235478 / 0.242, rtol=1e-12)
    assert_allclose(found.relative_se, np.hypot(0.004 / 0.242, 0.0002 / 0.235478), rtol=1e-9)
    assert found.source.endswith("; bench book p. 12")


def test_a_known_height_may_be_given_with_its_uncertainty():
    found = calibrate("height", measured="1.00 nm", measured_se="0 nm", known="1.10 nm", known_se="0.011 nm")
    assert_allclose([found.factor, found.relative_se], [1.1, 0.01], rtol=1e-12)
    assert found.source == "step height of 1.1 nm, as given"


def test_a_current_is_calibrated_by_a_known_one_and_a_there_is_ampere():
    found = calibrate("current", measured="1.02e-9 A", measured_se="10 pA", known="1 nA", known_se="5 pA")
    assert_allclose([found.factor, found.measured, found.known], [1 / 1.02, 1.02, 1.0], rtol=1e-12)
    assert_allclose(found.relative_se, np.hypot(0.01 / 1.02, 0.005), rtol=1e-9)
    assert found.source == "current of 1 nA, as given"


@pytest.mark.parametrize(
    ("change", "text"),
    [
        ({"what": "bias"}, "'bias' cannot be calibrated; use height or current"),
        ({"known": "hopg"}, "known steps are graphite, au111, si111"),
        (
            {"what": "current", "measured": "1 nA", "measured_se": "1 pA", "known": "au111"},
            "'au111' is not a current with a unit",
        ),
        ({"measured": "0.242"}, "not a length with a unit; write it like 0.242 nm"),
        ({"measured": "0.242 nA"}, "not a length with a unit"),
        ({"measured": "0.242 NM"}, "not a length with a unit"),
        ({"measured": "wide"}, "not a length with a unit"),
        ({"measured": "-0.242 nm"}, "measured is -0.242; a height must be positive"),
        ({"measured_se": "-1 pm"}, "an uncertainty not negative"),
        ({"what": "current", "measured": "1 nm", "known": "1 nA"}, "not a current with a unit; write it like 1.02 nA"),
    ],
)
def test_what_is_no_quantity_of_the_right_kind_is_refused(change: dict, text: str):
    arguments = {"what": "height", "measured": "0.242 nm", "measured_se": "4 pm", "known": "au111"} | change
    with pytest.raises(ValueError, match=text):
        calibrate(arguments.pop("what"), **arguments)


def test_temperatures_have_a_unit() -> None:
    assert temperature_of("295 K") == 295
    assert temperature_of("22 °C") == pytest.approx(295.15)
    for text in ("295", "-3 K", "22 F", "1.2.3 K"):
        with pytest.raises(ValueError, match="write it like 295 K or 22 °C"):
            temperature_of(text)
