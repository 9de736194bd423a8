"""Flags of I(z) sweeps: each where it belongs, none on clean sweeps."""

from __future__ import annotations

import numpy as np
import pytest
from barrier.examples import a_set, flags_of
from numpy.testing import assert_allclose

from sts.barrier import fit_barrier
from sts.quantities import barrier_from_decay
from sts.sweeps import SweepSet, sweep_table


def test_clean_sweeps_carry_no_flag(many):
    assert (many.table["flags"] != "").mean() < 0.02


@pytest.mark.parametrize(
    ("current", "flag"),
    [
        (np.full(50, 1e-8), "all saturated"),
        (np.full(50, np.nan), "too few points"),
        (np.r_[1e-9, 5e-10, np.full(48, np.nan)], "too few points"),
        (1e-9 * np.exp(5 * np.linspace(-1, 0, 50)), "wrong sign"),
        (-1e-9 * np.exp(-5 * np.linspace(0, 1, 50)), "negative current"),
        (1e-9 * np.exp(-1.5 * np.linspace(0, 1, 50)), "few decades"),
        (1e-9 * np.exp(-2.0 * np.linspace(0, 1, 50) * 3), "low barrier"),
        (1e-9 * np.exp(-30.0 * np.linspace(0, 1, 50)), "high barrier"),
    ],
)
def test_bad_sweeps_are_flagged_and_the_others_go_on(current, flag):
    z = np.linspace(0, 1e-9, 50)
    good = 1e-9 * np.exp(-20e9 * z)
    table = sweep_table(["bad", "good"], full_scale_A=[1e-8, np.nan])
    fit = fit_barrier(SweepSet("iz", z, np.stack([current, good]), table))
    assert flag in flags_of(fit, 0)
    assert_allclose(fit.table["barrier_eV"][1], barrier_from_decay(20e9), rtol=1e-6)


def test_bias_contact_and_mixed_biases_are_flagged():
    z = np.linspace(0, 0.4e-9, 100)
    current = 5e-6 * np.exp(-21e9 * z)
    fit = fit_barrier(a_set(z, np.stack([current, current]), bias_V=[0.1, 0.5], tip="t", site="1"))
    assert {"contact", "mixed biases"} <= flags_of(fit, 0)
    assert {"high bias", "mixed biases"} <= flags_of(fit, 1)


def test_a_steep_concave_fall_is_not_said_to_grow():
    """A current that falls ever steeper has a negative fitted decay, but does not grow with height."""
    z = np.linspace(0, 1e-10, 60)
    fit = fit_barrier(a_set(z, 1e-9 * (1.5 - np.exp(3e9 * z))))
    assert "wrong sign" not in flags_of(fit)
    assert "few decades" in flags_of(fit)


def test_a_flag_says_as_a_number_how_many_times_its_limit_it_is():
    z = np.linspace(0, 1e-9, 80)
    current = np.stack([1e-9 * np.exp(-30e9 * z), 1e-9 * np.exp(-6e9 * z), 1e-9 * np.exp(-20e9 * z)])
    current[2, 40:] *= 1.5
    current += 1e-14 * np.random.default_rng(1).standard_normal(current.shape)
    fit = fit_barrier(a_set(z, current, bias_V=[0.1, 0.5, 0.1]))
    size = {(row.sweep, row.flag): row.times_limit for row in fit.flags.itertuples()}
    said = {(row.sweep, row.flag): row.detail for row in fit.flags.itertuples()}
    name = fit.table["sweep"]
    assert_allclose(size[name[0], "high barrier"], fit.table["barrier_eV"][0] / 6.0)
    assert_allclose(size[name[1], "low barrier"], 1 / fit.table["barrier_eV"][1])
    assert_allclose(size[name[1], "high bias"], 0.5 / 0.2)
    factor = float(said[name[2], "jump"].split()[2])
    assert_allclose(size[name[2], "jump"], np.log(factor) / np.log(1.2), rtol=0.02)
