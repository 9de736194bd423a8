"""The local barrier: level for one exponential, right for a bent one, honest about its band."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from sts.barrier import fit_barrier, local_barrier
from sts.quantities import barrier_from_decay
from sts.simulate import Bench, simulate_iz
from sts.sweeps import SweepSet, sweep_table


def a_fit(z, current):
    current = np.atleast_2d(current)
    return fit_barrier(SweepSet("iz", z, current, sweep_table([f"s{i}" for i in range(len(current))], tip="t")))


@pytest.mark.parametrize("offset", [0.0, 5e-12])
def test_one_exponential_is_level_at_its_barrier(offset):
    z = np.sort(np.random.default_rng(1).uniform(0, 0.35e-9, 120))  # any spacing
    decay = 20e9
    local = local_barrier(a_fit(z, 1e-9 * np.exp(-decay * z) + offset))
    assert np.isfinite(local.barrier_eV).all()
    assert_allclose(local.barrier_eV, barrier_from_decay(decay), rtol=1e-6)


def test_a_bent_logarithm_gives_its_local_slope():
    """ln I = -a z - b z²: the slope is a + 2 b z, closed form."""
    z = np.linspace(0, 0.6e-9, 400)  # to where no current is left: that fixes the offset
    a, b = 16e9, 12e18
    noise = 2e-13 * np.random.default_rng(5).standard_normal((40, z.size))
    local = local_barrier(a_fit(z, 1e-9 * np.exp(-a * z - b * z**2) + noise), width_m=0.03e-9)
    inside = (z > 0.03e-9) & (z < 0.17e-9)
    true = barrier_from_decay(a + 2 * b * z)
    assert true[inside][-1] > 1.3 * true[inside][0]
    assert_allclose(local.barrier_eV[:, inside].mean(axis=0), true[inside], rtol=0.03)


@pytest.mark.parametrize("bench", [Bench(white_A=1e-12, gap_noise=0.01), Bench(white_A=3e-12, current_offset_A=5e-12)])
def test_the_band_holds_the_truth_as_often_as_it_says(bench):
    made = simulate_iz(barrier_eV=4.4, height=(0, 0.36e-9, 150), sweeps=400, bench=bench, seed=3, tip="t").sweeps
    local = local_barrier(fit_barrier(made))
    known = np.isfinite(local.barrier_eV)
    assert known[:, 10:60].all()
    assert not known[:, -1].all()  # a nanoampere is lost in the noise after three decades
    inside = (local.low_eV <= 4.4) & (local.high_eV >= 4.4)
    assert 0.93 < inside[known].mean() < 0.97
    assert 0.92 < inside[:, :60].mean() < 0.975  # and not only far out


def test_masked_samples_leave_a_hole():
    z = np.linspace(0, 0.3e-9, 100)
    current = 1e-9 * np.exp(-20e9 * z)
    current[40] = np.nan
    local = local_barrier(a_fit(z, current))
    assert np.isnan(local.barrier_eV[0, 40])
    assert np.isfinite(local.barrier_eV[0, [5, 90]]).all()


def test_a_sweep_that_cannot_be_fitted_has_no_local_barrier_and_few_points_give_none():
    z = np.linspace(0, 0.3e-9, 50)
    local = local_barrier(a_fit(z, np.stack([np.full(50, np.nan), 1e-9 * np.exp(-20e9 * z)])))
    assert np.isnan(local.barrier_eV[0]).all()
    assert np.isfinite(local.barrier_eV[1]).all()
    short = np.linspace(0, 0.3e-9, 6)
    assert np.isnan(local_barrier(a_fit(short, 1e-9 * np.exp(-10e9 * short))).barrier_eV).all()


def test_a_curve_ends_where_its_band_is_wider_than_its_value_and_does_not_come_back():
    made = simulate_iz(
        barrier_eV=4.4, height=(0, 0.5e-9, 200), sweeps=30, bench=Bench(white_A=1e-12), seed=8, tip="t"
    ).sweeps
    local = local_barrier(fit_barrier(made))
    known = np.isfinite(local.barrier_eV)
    wide = known & ~(local.high_eV - local.low_eV < local.barrier_eV)
    assert not wide.any()
    assert known[:, :60].all()
    last = known.shape[1] - 1 - np.argmax(known[:, ::-1], axis=1)
    assert (last < 150).all()  # a nanoampere is below its noise after 0.33 nm
    assert all(row[: end + 1].all() for row, end in zip(known, last, strict=True))


def test_the_ends_of_the_slope_are_named():
    z = np.linspace(0, 0.4e-9, 101)
    local = local_barrier(a_fit(z, 1e-9 * np.exp(-20e9 * z)), width_m=0.1e-9)
    half = 0.1e-9 / np.sqrt(2)  # window of the parabola: sqrt(2) widths
    step = z[1]
    assert (local.one_sided == ((z + step < half) | (z[-1] - z + step < half))).all()
