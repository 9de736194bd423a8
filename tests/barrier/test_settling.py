"""Samples that still stand at the set-point when the ramp begins (common practice, no source)."""

from __future__ import annotations

import numpy as np
import pytest

from sts.barrier import fit_barrier
from sts.barrier.exponential import Samples
from sts.barrier.settling import MOST_SETTLING, find_settling
from sts.quantities import barrier_from_decay
from sts.simulate import Bench, simulate_iz
from sts.sweeps import SweepSet, sweep_table

BENCH = Bench(white_A=3e-12, gap_noise=0.02, current_offset_A=8e-12)


def in_air(seed, sweeps=12, slope=0.0):
    made = simulate_iz(
        barrier_eV=0.4, height=(0.0, 0.6e-9, 256), current_A=3e-10, sweeps=sweeps, seed=seed, tip="t", site="1",
        bench=Bench(white_A=3e-12, gap_noise=0.02, gap_noise_slope=slope, current_offset_A=8e-12),
    )  # fmt: skip
    return made.sweeps


def settled(sweeps, counts, factor, *, end=False):
    current = sweeps.current.copy()
    for row, count in zip(current, counts, strict=True):
        place = slice(len(row) - count, None) if end else slice(0, count)
        row[place] = factor * row[0]
    return SweepSet("iz", sweeps.axis, current, sweeps.table)


@pytest.mark.parametrize("end", [False, True])
def test_the_samples_at_the_set_point_are_masked_to_the_last_and_no_sweep_is_lost(end):
    counts = np.arange(12) % (MOST_SETTLING + 1)
    for seed in range(5):
        fit = fit_barrier(settled(in_air(seed), counts, 20.0, end=end))
        masked = 256 - fit.used_points.sum(axis=1)
        assert np.array_equal(masked, counts)
        assert fit.table["used"].all()
        assert set(fit.flags.loc[fit.flags["flag"] == "settling", "sweep"]) == {
            name for name, count in zip(fit.table["sweep"], counts, strict=True) if count
        }
        assert not fit.flags["flag"].isin(["jump", "saturated"]).any()


def test_the_barrier_is_that_of_the_ramp_without_them():
    plain = in_air(3)
    whole = fit_barrier(plain).table
    spoiled = fit_barrier(settled(plain, [3] * 12, 25.0)).table
    assert np.all(np.abs(spoiled["decay_per_nm"] - whole["decay_per_nm"]) < 0.5 * whole["decay_se_per_nm"])


@pytest.mark.parametrize("slope", [0.0, 1.0])
def test_noise_is_no_settling(slope):
    """At most one sweep in a hundred, white or 1/f."""
    found = total = 0
    for seed in range(25):
        sweeps = in_air(100 + seed, sweeps=20, slope=slope)
        usable = np.ones_like(sweeps.current)
        u = np.linspace(0, 1, 256)
        found += find_settling(Samples(u, sweeps.current, usable)).any(axis=1).sum()
        total += 20
    assert found <= 0.01 * total


def test_short_sweeps_are_left_alone():
    z = np.linspace(0, 3e-10, 40)
    current = 1e-9 * np.exp(-2e10 * z)
    current[0] = 2e-8
    assert not find_settling(Samples(np.linspace(0, 1, 40), current[None], np.ones((1, 40)))).any()


def test_a_step_in_the_middle_is_still_a_jump():
    sweeps = in_air(7)
    current = sweeps.current.copy()
    current[4, 100:] *= 1.7
    fit = fit_barrier(SweepSet("iz", sweeps.axis, current, sweeps.table))
    assert "jump" in set(fit.flags.loc[fit.flags["sweep"] == fit.table["sweep"][4], "flag"])


def test_saturation_at_the_start_stays_saturation():
    z = np.linspace(0, 4e-10, 200)
    current = np.minimum(3e-8 * np.exp(-2.1e10 * z) * (1 + 0.01 * np.random.default_rng(0).standard_normal(200)), 1e-8)
    fit = fit_barrier(SweepSet("iz", z, current[None], sweep_table(["s"], full_scale_A=1e-8)))
    assert "saturated" in set(fit.flags["flag"])
    assert "settling" not in set(fit.flags["flag"])
    assert abs(fit.table["barrier_eV"][0] / barrier_from_decay(2.1e10) - 1) < 0.05


def test_a_step_of_a_coarse_converter_is_no_settling():
    """Where the current is below one step most readings are alike: of these sweeps 20 % had a last sample masked."""
    bench = Bench(white_A=1e-12, converter_step_A=4e-12)
    for seed in range(3):
        made = simulate_iz(
            barrier_eV=4.4, height=(0.0, 0.36e-9, 150), sweeps=36, bench=bench, seed=seed, tip="t"
        ).sweeps
        samples = Samples(np.linspace(0, 1, 150), made.current, np.ones(made.current.shape))
        assert not find_settling(samples).any()
