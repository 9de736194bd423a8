"""Limits, converter steps and noise are found from the samples, and nothing else is taken for them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from sts.curves.electronics import common_step, find_saturation, find_step, longest_run, noise_level

RNG = np.random.default_rng(20261125)
HEIGHT = np.linspace(0, 0.5e-9, 200)
BIAS = np.linspace(-1, 1, 401)


def exponential(amplitude=10e-9, noise=1e-12, sweeps=1):
    clean = amplitude * np.exp(-2e10 * HEIGHT)
    return clean + noise * RNG.standard_normal((sweeps, HEIGHT.size))


@pytest.mark.parametrize(
    ("name", "limit"),
    [
        ("w1_form_50uA", 50e-6),
        ("w1_set_50uA", 50e-6),
        ("w1_set_20uA_a", 20e-6),
        ("w1_set_20uA_b", 20e-6),
        ("w1_reset_8mA", 8e-3),
    ],
)
def test_real_current_limits_are_found_where_the_operator_set_them(opendata: Path, name: str, limit: float):
    """Measured memory cells with a current limit; the limit is in the file's name, as its operator wrote it."""
    path = opendata / "rram-cu-taox-pt-iv" / f"{name}.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    start = next(i for i, line in enumerate(lines) if line.startswith("Time"))
    current = np.array([float(line.split(",")[3]) for line in lines[start + 1 :]])
    at_limit = np.abs(current) > 0.99 * limit
    assert at_limit.sum() >= 5
    assert_allclose(find_saturation(current)[0], at_limit)


@pytest.mark.parametrize("known", [True, False])
def test_clipped_exponential_is_masked_at_the_rail_only(known: bool):
    current = np.clip(exponential(amplitude=20e-9, sweeps=50), -10e-9, 10e-9)
    found = find_saturation(current, full_scale=np.full(50, 10e-9) if known else None)
    assert found[current >= 10e-9].all()
    assert not found[current < 9.9e-9].any()


def test_both_rails_of_a_bias_sweep_are_masked():
    current = np.clip(2e-8 * BIAS, -1e-8, 1e-8)
    assert_allclose(find_saturation(current)[0], np.abs(current) >= 1e-8 * 0.997)


@pytest.mark.parametrize("step", [0.0, 0.3e-12, 5e-12])
def test_unsaturated_sweeps_are_left_alone(step: float):
    """Ohmic, gapped, curved over, exponential and retracted sweeps; the converter has 0, 16 and 12 bits."""
    rng = np.random.default_rng(20261125)  # of its own: the shared one depends on which tests ran before
    gapped = np.where(np.abs(BIAS) > 0.5, np.sign(BIAS) * (np.abs(BIAS) - 0.5) ** 2, 0.0) * 4e-9
    hump = 1e-9 * BIAS * np.exp(-(BIAS**2))
    for clean in (1e-9 * BIAS, gapped, hump, 0 * BIAS):
        current = clean + 1e-12 * rng.standard_normal((200, BIAS.size))
        current = np.round(current / step) * step if step else current
        assert not find_saturation(current).any()
    floor = exponential(amplitude=1e-9, sweeps=200)
    assert not find_saturation(np.round(floor / step) * step if step else floor).any()


def test_two_steps_below_the_limit_is_not_the_limit():
    codes = np.concatenate([np.arange(92), [94, 96, 98, *[100, 99, 100] * 4, 98, 95], np.arange(90, 0, -1)])
    assert_allclose(find_saturation(codes * 1e-12)[0], codes >= 99)


def test_full_scale_masks_even_a_single_sample_and_unknown_full_scale_masks_none():
    current = np.array([[1e-9, 5e-9, 1e-8, 3e-9], [1e-9, 5e-9, 1e-8, 3e-9]])
    found = find_saturation(current, full_scale=[1e-8, np.nan])
    assert found.tolist() == [[False, False, True, False], [False] * 4]


@pytest.mark.parametrize("bits", [12, 16])
@pytest.mark.parametrize("digits", [4, 12])
def test_converter_step_is_found_within_one_percent(bits: int, digits: int):
    """±10 V on 1e9 V/A: 0.305 pA with 16 bits, 4.88 pA with 12 (20 nA / 2^bits)."""
    step = 20e-9 / 2**bits
    current = np.round(exponential(noise=2e-12, sweeps=5) / step) * step
    current = np.round(current * 1e12, digits) / 1e12
    assert_allclose(find_step(current), step, rtol=0.01)


def test_no_step_in_unquantised_values_and_none_in_missing_ones():
    current = exponential(sweeps=300)
    assert np.isnan(find_step(current)).all()
    assert np.isnan(find_step(np.full((2, 50), np.nan))).all()
    assert np.isnan(find_step(np.zeros((1, 50)))).all()


def test_noise_level_returns_the_noise_that_was_added():
    current = 1e-9 * BIAS**3 + 3e-12 * RNG.standard_normal((200, BIAS.size))
    assert_allclose(np.mean(noise_level(current)), 3e-12, rtol=0.03)
    assert np.isnan(noise_level(np.full((1, 20), np.nan)))[0]


def test_longest_run_counts_neighbours_only():
    mask = np.array([[1, 1, 0, 1, 1, 1, 0], [0, 0, 0, 0, 0, 0, 0], [1, 1, 1, 1, 1, 1, 1]], bool)
    assert longest_run(mask).tolist() == [3, 0, 7]


def test_a_step_that_no_sweep_shows_is_found_in_all_of_them():
    """Ramps of eight values, none of which comes back within one; currents that nothing rounds have no step together, either."""
    ramps = np.arange(8) * np.linspace(3, 6, 12)[:, None] + np.random.default_rng(2).uniform(0, 3, (12, 1))
    assert np.isnan(find_step(1e-12 * np.round(ramps))).all()
    assert_allclose(common_step(1e-12 * np.round(ramps)), 1e-12, rtol=1e-6)
    assert np.isnan(common_step(1e-12 * ramps))
    assert np.isnan(common_step(np.full((2, 5), np.nan)))
