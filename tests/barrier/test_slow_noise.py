"""Slow noise widens the interval as far as it must."""

from __future__ import annotations

import numpy as np
import pytest
from barrier.examples import NO_LOOP, RANGE, a_set, held
from scipy.signal import lfilter

from sts.barrier import fit_barrier, pair_directions
from sts.barrier.memory import Usual
from sts.barrier.slow_noise import find_covariance
from sts.barrier.whitened import Whitened
from sts.quantities import decay_from_barrier
from sts.simulate import Bench, HeightRamp, simulate_iz


def test_slow_noise_is_recognised_and_widens_the_interval():
    bench = Bench(white_A=1e-12, gap_noise=0.03, gap_noise_slope=1.0)
    fit = fit_barrier(
        simulate_iz(barrier_eV=4.4, height=RANGE, sweeps=100, bench=bench, seed=3, tip="t").sweeps, NO_LOOP
    )
    assert fit.table["flags"].str.contains("slow noise").mean() > 0.9


@pytest.mark.parametrize("memory", [0.3, 0.6, 0.8])
def test_electronics_noise_behind_a_filter_widens_the_interval(memory):
    """AR(1) noise of 2 pA, made by a general library: scipy.signal.lfilter."""
    rng = np.random.default_rng(1)
    z = np.linspace(0, 0.4e-9, 150)
    noise = lfilter([np.sqrt(1 - memory**2)], [1, -memory], rng.standard_normal((300, 350)))[:, 200:]
    clean = 1e-9 * np.exp(-decay_from_barrier(4.4) * z)
    current = clean * (1 + 0.01 * rng.standard_normal((300, 150))) + 2e-12 * noise
    assert (
        0.90 < held(fit_barrier(a_set(z, current, tip="t", site="1"), NO_LOOP).table) < 0.985
    )  # white intervals: 0.5 to 0.85


def test_noise_is_found_where_no_two_samples_are_far_from_each_other():
    """Sums over no pair of samples are rounding of either sign; the root of one ended a whole analysis."""
    rng = np.random.default_rng(3)
    n = 160
    u = np.linspace(0, 1, n)
    for last in range(40, 80, 2):
        there = np.broadcast_to((np.arange(n) < last).astype(float), (30, n))
        weight = there / rng.uniform(0.5, 2.0, (30, 1))
        signal = weight * np.exp(-6 * u)
        white = Whitened(rng.standard_normal((30, n)) * there, signal, weight, signal * u, signal, weight)
        found = find_covariance(white, Usual.of(n))
        assert np.isfinite(found.dof)
        assert all(np.isfinite(kernel.row).all() for kernel in found.memory.noise)


@pytest.mark.parametrize("gap", [0.0, 0.001])
def test_filtered_noise_and_no_gap_noise_leave_no_interval_without_a_number(gap):
    """The noise of the gap came out as 0 exactly, and what it is a share of as well: 0/0 in every interval of the tip."""
    bench = Bench(white_A=1e-12, gap_noise=gap, filter_s=0.01)
    ramp = HeightRamp(directions=("retract", "approach"))
    made = simulate_iz(barrier_eV=4.4, height=RANGE, sweeps=60, bench=bench, seed=2, tip="t", site="1", ramp=ramp)
    fit = fit_barrier(made.sweeps, NO_LOOP)
    assert np.isfinite(fit.table[["barrier_eV", "barrier_se_eV", "barrier_low_eV", "barrier_high_eV"]]).all(axis=None)
    assert np.isfinite(fit.fits.shape.curvature_t).all()
    assert held(fit.table) > 0.92
    assert pair_directions(fit.table)[0]["agree"].mean() > 0.98
