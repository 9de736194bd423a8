"""(dI/dV)/(I/V): closed forms, the price of each denominator, and where it may be read."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from sts.spectra.normalised import broadening, chord, is_zero, normalise, trusted_bias, without_islands

V = np.linspace(-2, 2, 801)

# references normalisation.csv, status computed (closed forms, 25 digits)
CASES = [
    ("sinh_0.01", lambda v: np.sinh(v), lambda v: np.cosh(v), 0.01, 1.00003333311),
    ("sinh_0.1", lambda v: np.sinh(v), lambda v: np.cosh(v), 0.1, 1.00333111323),
    ("sinh_0.5", lambda v: np.sinh(v), lambda v: np.cosh(v), 0.5, 1.08197670687),
    ("sinh_1", lambda v: np.sinh(v), lambda v: np.cosh(v), 1.0, 1.3130352855),
    ("sinh_2", lambda v: np.sinh(v), lambda v: np.cosh(v), 2.0, 2.07462944146),
    ("sinh_5", lambda v: np.sinh(v), lambda v: np.cosh(v), 5.0, 5.00045401991),
    ("sinh_10", lambda v: np.sinh(v), lambda v: np.cosh(v), 10.0, 10.0000000412),
    ("exp1_-2", lambda v: np.exp(v) - 1, lambda v: np.exp(v), -2.0, 0.313035285499),
    ("exp1_-1", lambda v: np.exp(v) - 1, lambda v: np.exp(v), -1.0, 0.581976706869),
    ("exp1_-0.1", lambda v: np.exp(v) - 1, lambda v: np.exp(v), -0.1, 0.950833194478),
    ("exp1_0.1", lambda v: np.exp(v) - 1, lambda v: np.exp(v), 0.1, 1.05083319448),
    ("exp1_1", lambda v: np.exp(v) - 1, lambda v: np.exp(v), 1.0, 1.58197670687),
    ("exp1_2", lambda v: np.exp(v) - 1, lambda v: np.exp(v), 2.0, 2.3130352855),
    ("cubic_0.1", lambda v: v + 0.1 * v**3, lambda v: 1 + 0.3 * v**2, 1.0, 1.18181818182),
    ("cubic_1", lambda v: v + v**3, lambda v: 1 + 3 * v**2, 1.0, 2.0),
    ("cubic_10", lambda v: v + 10 * v**3, lambda v: 1 + 30 * v**2, 1.0, 2.81818181818),
    ("edge_0.5_0.6", lambda v: (v - 0.5) ** 2, lambda v: 2 * (v - 0.5), 0.6, 12.0),
    ("edge_0.5_0.75", lambda v: (v - 0.5) ** 2, lambda v: 2 * (v - 0.5), 0.75, 6.0),
    ("edge_0.5_1.0", lambda v: (v - 0.5) ** 2, lambda v: 2 * (v - 0.5), 1.0, 4.0),
    ("edge_0.7_0.75", lambda v: (v - 0.7) ** 2, lambda v: 2 * (v - 0.7), 0.75, 30.0),
    ("offset_0.1", lambda v: v + 0.01, lambda v: 1 + 0 * v, 0.1, 0.909090909091),
    ("offset_-0.1", lambda v: v + 0.01, lambda v: 1 + 0 * v, -0.1, 1.11111111111),
    ("offset_0.02", lambda v: v + 0.01, lambda v: 1 + 0 * v, 0.02, 0.666666666667),
    ("offset_-0.02", lambda v: v + 0.01, lambda v: 1 + 0 * v, -0.02, 2.0),
]


@pytest.mark.parametrize("case", CASES, ids=lambda c: c[0])
def test_closed_forms(case):
    _, current, slope, at, expected = case
    bias = np.array([at, at + 1.0])
    value, _ = normalise(bias, 1e-9 * current(bias), 1e-9 * slope(bias))
    assert_allclose(value[0], expected, rtol=1e-10)


@pytest.mark.parametrize("power", [1, 2, 3, 5])
def test_power_law_gives_its_exponent_whatever_the_set_point(power: int):
    """normalisation.csv: ohm, pow1 ... pow5, scale."""
    bias = np.array([0.1, 0.7, 1.3])
    for scale in (1e-12, 1e-9):
        value, _ = normalise(bias, scale * bias**power, scale * power * bias ** (power - 1))
        assert_allclose(value, power, rtol=1e-12)


@pytest.mark.parametrize(("c", "expected"), [(0.1, 0.99503719021), (0.5, 0.894427191), (1.0, 0.707106781187)])
def test_floor_under_the_root_costs_what_the_formula_says(c: float, expected: float):
    """normalisation.csv: reg_0.1, reg_0.5, reg_1; c → 0 returns the plain form."""
    value, _ = normalise(V, V, np.ones_like(V), kind="root", floor_S=c)
    assert_allclose(value, expected, rtol=1e-9)
    assert_allclose(normalise(V, V, np.ones_like(V), kind="root", floor_S=1e-9)[0], 1, rtol=1e-9)


@pytest.mark.parametrize(("ratio", "expected"), [(0.1, 1.0101010101), (0.2, 1.04166666667), (0.5, 1.33333333333)])
def test_exponential_kernel_has_the_gain_of_the_closed_form(ratio: float, expected: float):
    """normalisation.csv: expker_*: exp(V) convolved with exp(-|u|/w)/2w gains 1/(1 - w²)."""
    axis = np.linspace(-12, 12, 2401)
    gain = (broadening(axis, ratio, "exponential") @ np.exp(axis))[1200]
    assert_allclose(gain, expected, rtol=2e-4)


@pytest.mark.parametrize(("sigma", "expected"), [(0.1, 1.00501252086), (0.5, 1.13314845307), (1.0, 1.6487212707)])
def test_gaussian_kernel_has_the_gain_of_the_closed_form(sigma: float, expected: float):
    """normalisation.csv: gausker_*: gain exp(σ²/2); the width is stated at half height, 2.354820045 σ."""
    axis = np.linspace(-10, 10, 2001)
    gain = (broadening(axis, 2.354820045 * sigma, "gaussian") @ np.exp(axis))[1000]
    assert_allclose(gain, expected, rtol=2e-4)


@pytest.mark.parametrize("kind", ["exponential", "gaussian"])
@pytest.mark.parametrize("width", [1e-4, 0.3, 50.0])
def test_a_constant_stays_constant_to_the_ends_on_any_steps(kind: str, width: float):
    """normalisation.csv: const_ker."""
    axis = np.sort(np.random.default_rng(3).uniform(-1, 1, 200))
    assert_allclose(broadening(axis, width, kind) @ np.full(200, 7.0), 7.0, rtol=1e-12)


def test_kernel_far_narrower_than_a_step_changes_nothing():
    assert_allclose(broadening(V, 1e-6, "gaussian"), np.eye(V.size), atol=1e-12)


def test_limit_at_zero_bias_is_one_for_every_junction():
    current, slope = np.sinh(3 * V), 3 * np.cosh(3 * V)
    value, _ = normalise(V, current, slope)
    assert value[400] == 1
    assert_allclose(chord(V, current, slope)[400], 3)


def test_broadened_gap_stays_finite_where_the_plain_form_is_nothing_over_nothing():
    edge = np.maximum(np.abs(V) - 0.5, 0)
    current, slope = np.sign(V) * edge**2, 2 * edge
    assert np.isnan(normalise(V, current, slope)[0][np.abs(V) < 0.4]).sum() > 100
    broadened = normalise(V, current, slope, kind="exponential", broadening_V=0.5)[0]
    assert np.isfinite(broadened).all()
    assert_allclose(broadened[np.abs(V) < 0.45], 0, atol=1e-12)


def test_trust_begins_at_ten_times_the_effective_offset():
    """|V| ≥ 10 (|I0|/G + |V0|): 1 pA at 1 nS and 2 mV are 3 mV, so 30 mV."""
    bias = np.linspace(-0.1, 0.1, 2001)
    good = trusted_bias(bias, np.full(2001, 1e-9), current_offset_A=-1e-12, bias_offset_V=2e-3)
    assert np.abs(bias[good]).min() == pytest.approx(0.03, abs=1.1e-4)
    assert np.abs(bias[~good]).max() < 0.0301
    assert not trusted_bias(bias, np.full(2001, 1e-9), current_offset_A=0.0, bias_offset_V=0.0)[1000]


def test_an_offset_of_the_current_makes_a_gap_untrusted():
    edge = np.maximum(np.abs(V) - 0.5, 0)
    good = trusted_bias(V, 1e-9 * edge**2 / np.maximum(np.abs(V), 1e-9), current_offset_A=1e-12, bias_offset_V=np.nan)
    assert not good[np.abs(V) < 0.55].any()
    assert good[np.abs(V) > 0.65].all()


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        ({"kind": "root"}, "set 'floor_S'"),
        ({"kind": "gaussian"}, "set 'broadening_V'"),
        ({"kind": "smart"}, "must be one of: plain, exponential, gaussian, root"),
    ],
)
def test_missing_settings_are_named(arguments: dict, text: str):
    with pytest.raises(ValueError, match=text):
        normalise(V, V, np.ones_like(V), **arguments)


def test_zero_bias_is_told_from_rounding_by_the_step():
    assert is_zero(np.array([0.0, 1e-3])).tolist() == [True, False]
    assert is_zero(np.array([-1e-3, 1e-18, 1e-3])).tolist() == [False, True, False]
    assert is_zero(np.array([0.0])).tolist() == [True]
    assert is_zero(np.array([1.0])).tolist() == [False]


def test_islands_narrower_than_the_smoothing_are_not_trusted():
    bias = np.linspace(-1, 1, 201)
    wide = np.abs(bias) > 0.6
    islands = wide | (np.abs(bias - 0.2) < 0.024) | (np.abs(bias + 0.1) < 0.006)
    assert (without_islands(bias, islands, 0.1) == wide).all()
    assert (without_islands(bias, islands, 0.02) == (wide | (np.abs(bias - 0.2) < 0.024))).all()


def test_a_broadening_without_a_width_or_of_an_unknown_kind_is_refused():
    for width in (0.0, -0.1, np.nan):
        with pytest.raises(ValueError, match="must be above zero"):
            broadening(V, width, "gaussian")
    with pytest.raises(ValueError, match="The broadening is 'box'; it must be 'exponential' or 'gaussian'"):
        broadening(V, 0.1, "box")
