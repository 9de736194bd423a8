"""Jumps, two slopes and curvature are found where they are."""

from __future__ import annotations

import numpy as np
import pytest
from barrier.examples import VACUUM, a_set, flags_of

from sts.barrier import fit_barrier
from sts.barrier.exponential import Samples
from sts.barrier.noise import Noise
from sts.barrier.straightness import is_straight
from sts.simulate import Bench, simulate_iz
from sts.sweeps import SweepSet


@pytest.mark.parametrize("bench", [VACUUM, Bench(white_A=6e-12, gap_noise=0.03),
                                   Bench(white_A=1e-12, gap_noise=0.03, gap_noise_slope=1.0)])  # fmt: skip
@pytest.mark.parametrize("factor", [1.5, 1 / 1.5, 3.0])
def test_jumps_are_found(bench, factor):
    made = simulate_iz(barrier_eV=4.4, height=(0, 0.3e-9, 150), sweeps=80, bench=bench, seed=5, tip="t").sweeps
    current = made.current.copy()
    current[:40, 50:] *= factor
    fit = fit_barrier(SweepSet("iz", made.axis, current, made.table))
    found = fit.table["flags"].str.contains("jump").to_numpy()
    assert found[:40].mean() >= 0.95  # at 80 % found, 38 of 40 have a chance of 1 %
    assert not found[40:].any()  # at 10 % of false alarms, none of 40 has a chance of 1.5 %
    assert not fit.table["used"][found].any()


def test_two_slopes_and_curvature_are_told_with_their_place():
    z = np.linspace(0, 0.5e-9, 200)
    two = np.where(z < 0.2e-9, np.exp(-25e9 * z), np.exp(-25 * 0.2) * np.exp(-12e9 * (z - 0.2e-9)))
    curved = np.exp(-14e9 * z - 14e18 * z**2)
    straight = np.exp(-18e9 * z)
    rng = np.random.default_rng(1)
    shapes = np.stack([two, curved, *[straight] * 8])
    current = 1e-9 * shapes * (1 + 0.01 * rng.standard_normal(shapes.shape)) + 1e-13 * rng.standard_normal(shapes.shape)
    fit = fit_barrier(a_set(z, current))
    assert flags_of(fit, 0) & {"two slopes", "plateau"}
    assert flags_of(fit, 1) & {"curved", "two slopes"}
    assert all(not flags_of(fit, row) for row in range(2, 10))
    detail = fit.flags.set_index("sweep").loc[["s0"], "detail"]
    assert any("0.2" in text for text in detail)  # nm


@pytest.mark.parametrize("sweeps", [2, 9])
def test_sweeps_that_bend_much_are_not_straight_and_a_little_is_no_matter(sweeps):
    rng = np.random.default_rng(1)
    u = np.linspace(0, 1, 150)
    noise = Noise(np.tile([1e-24, 0.0, 1e-4], (sweeps, 1)))

    def made(bend):
        clean = 1e-9 * np.exp(-7 * (u + bend * u**2))
        return Samples(u, clean * (1 + 0.01 * rng.normal(size=(sweeps, 150))) + 1e-12 * rng.normal(size=(sweeps, 150)),
                       np.ones((sweeps, 150)))  # fmt: skip

    assert is_straight(made(0.0), noise)
    assert is_straight(made(0.03), noise)
    assert not is_straight(made(0.2), noise)
