"""Numbers with units as people write them: to SI, or the reason why not."""

from __future__ import annotations

import numpy as np
import pytest

from sts.loaders.values import alike, in_si, modulation_kind, number_of, number_text, scaled, set_point_of


@pytest.mark.parametrize(
    ("text", "decimal", "found"),
    [
        ("4.2 K", ".", (4.2, "K")),
        ("0,5 V", ".", (0.5, "V")),
        ("-.5e-3", ".", (-0.0005, "")),
        ("1d3 pA", ".", (1000.0, "pA")),
        ("1,500", ".", None),  # a thousand and a half, or one and a half
        ("1.500", ",", None),
        ("1.5", ",", (1.5, "")),
        ("about 4 K", ".", None),
    ],
)
def test_a_number_is_read_only_without_doubt(text, decimal, found):
    assert number_of(text, decimal) == found


@pytest.mark.parametrize("value", [0.1, 1e-9, 77.0, -3.0, 1e20, 123456789.25, 5e-324])
def test_a_number_as_text_reads_back_the_same(value):
    assert float(number_text(value)) == value


def test_tenths_of_nanometres_reach_si_to_the_last_digit():
    """0.1 nm times 1e-9 is off by one in the last place; decimal literals of Python are the reference."""
    values = np.array([0.1, 0.3, 0.7])
    assert scaled(values, 1e-9).tolist() == [1e-10, 3e-10, 7e-10]
    assert scaled(values, 1.0) is values


@pytest.mark.parametrize(
    ("column", "text", "unit", "value"),
    [
        ("temperature_K", "4.2", "K", 4.2),
        ("temperature_K", "25 °C", "", 298.15),
        ("setpoint_current_A", "50", "pA", 5e-11),
        ("modulation_V", "0.2 mV rms, 811 Hz", "", 2e-4),
        ("x_m", "10 nm", "", 1e-8),
    ],
)
def test_a_value_in_si(column, text, unit, value):
    found, why = in_si(column, text, unit, ".")
    assert (found, why) == (pytest.approx(value, rel=1e-12), "")


@pytest.mark.parametrize(
    ("column", "text", "unit", "why"),
    [
        ("temperature_K", "4.2", "", "has no unit"),
        ("temperature_K", "4.2 V", "", "none of temperature"),
        ("temperature_K", "4.2 mK", "K", "and its name 'K'"),
        ("temperature_K", "1e9 K", "", "beyond what can be"),
        ("setpoint_bias_V", "soon", "", "not a number"),
    ],
)
def test_why_a_value_is_not_used(column, text, unit, why):
    found, said = in_si(column, text, unit, ".")
    assert found is None
    assert why in said


def test_a_set_point_holds_both_or_says_what_is_wrong():
    found, wrong = set_point_of("I = 50 pA, V = -0.1 V", "", ".")
    assert (found, wrong) == ({"setpoint_current_A": pytest.approx(5e-11), "setpoint_bias_V": pytest.approx(-0.1)}, "")
    assert "two values" in set_point_of("50 pA, 60 pA", "", ".")[1]


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("0.2 mV rms", "rms"),
        ("Vpp", "peak-to-peak"),
        ("peak to peak", "peak-to-peak"),
        ("peak", "peak"),
        ("0.2 mV", ""),
    ],
)
def test_rms_or_peak(text, kind):
    assert modulation_kind(text) == kind


def test_values_that_say_the_same():
    assert alike(1.0, 1.0000001)
    assert not alike(1.0, 1.1)
    assert alike("Heron ", "heron")
    assert not alike("1.0", 1.0)
