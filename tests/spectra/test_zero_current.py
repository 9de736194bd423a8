"""The zero of the current at zero bias, from sweeps whose offset is planted."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from sts.simulate import Bench, BiasRamp, simulate_iv
from sts.spectra.zero_current import zero_currents
from sts.sweeps import SweepSet, sweep_table


def sweeps(seed, *, offset=1.3e-11, directions=("up", "down"), **bench):
    return simulate_iv(
        density="flat", bias=(-0.3, 0.3, 121), setpoint_current_A=2e-10, sweeps=8, seed=seed,
        bench=Bench(white_A=2e-12, current_offset_A=offset, full_scale_A=1e-8, **bench),
        ramp=BiasRamp(directions=directions),
    ).sweeps  # fmt: skip


def test_the_planted_offset_comes_back_within_its_uncertainty():
    z = []
    for seed in range(40):
        row = zero_currents([sweeps(seed)]).iloc[0]
        z.append((row["current_A"] - 1.3e-11) / row["se_A"])
        assert row["sweeps"] == 16
    assert np.sqrt(np.mean(np.square(z))) < 1.2  # the zero of the bias, which is allowed for, was not moved


def test_a_shifted_bias_is_covered_by_the_uncertainty():
    """2 mV times the conductance is in it."""
    row = zero_currents([sweeps(1, bias_offset_V=2e-3)]).iloc[0]
    assert abs(row["current_A"] - 1.3e-11) < 2 * row["se_A"]


def test_displacement_current_cancels_between_directions():
    row = zero_currents([sweeps(2, capacitance_F=2e-11)]).iloc[0]
    assert abs(row["current_A"] - 1.3e-11) < 3 * row["se_A"]


def test_one_direction_alone_says_nothing():
    assert zero_currents([sweeps(3, directions=("up",))]).empty


def test_sweeps_that_were_left_out_do_not_count():
    made = sweeps(4)
    current = made.current.copy()
    current[:2] += 1e-9
    row = zero_currents([replace(made, current=current)], omitted=made.names[:2]).iloc[0]
    assert row["sweeps"] == 14
    assert abs(row["current_A"] - 1.3e-11) < 3 * row["se_A"]


@pytest.mark.parametrize("bias", [(0.1, 0.5, 41), (-0.5, -0.1, 41)])
def test_ramps_that_do_not_cross_zero_are_passed_over(bias):
    made = simulate_iv(density="flat", bias=bias, sweeps=4, seed=1).sweeps
    assert zero_currents([made]).empty


def test_the_line_is_of_seven_samples_and_the_uncertainty_that_of_the_mean_of_pairs_and_of_the_bias():
    """Closed form: standard error of the mean of pairs of directions, and 2 mV of bias at the conductance there."""
    bias = np.linspace(-1.0, 1.0, 21)
    offsets = np.array([1.0, 3.0, 4.0, 8.0]) * 1e-12
    current = (
        2e-9 * bias + offsets[:, None] + np.where(np.abs(bias) > 0.35, 1e-9, 0.0)
    )  # from the eighth sample on another curve
    table = sweep_table(list("abcd"), direction=["up", "down"] * 2, full_scale_A=1e-8)
    found = zero_currents([SweepSet("iv", bias, current, table)]).iloc[0]
    assert_allclose(found["current_A"], 4e-12, rtol=1e-9)
    pairs = stats.sem([2e-12, 6e-12])
    assert_allclose(found["se_A"], np.hypot(pairs, 2e-3 * 2e-9), rtol=1e-9)
    assert found["sweeps"] == 4
