"""Humps: what comes back is masked, what does not is a jump, what all sweeps share is their shape."""

from __future__ import annotations

import numpy as np
import pytest
from often import repeated

from sts.barrier import fit_barrier
from sts.quantities import decay_from_barrier
from sts.simulate import Bench, simulate_iz
from sts.sweeps import SweepSet

POINTS = 256


def ramps(seed, sweeps=20, slope=0.0, gap=0.02):
    return simulate_iz(
        barrier_eV=0.5, height=(0.0, 0.6e-9, POINTS), current_A=5e-10, sweeps=sweeps, seed=seed, tip="t", site="1",
        bench=Bench(white_A=2e-12, gap_noise=gap, gap_noise_slope=slope),
    ).sweeps  # fmt: skip


def changed(sweeps, row, factor):
    current = sweeps.current.copy()
    current[row] *= factor
    return SweepSet("iz", sweeps.axis, current, sweeps.table)


def hump(at, width, size):
    u = np.linspace(0, 1, POINTS)
    return np.exp(size * np.exp(-0.5 * ((u - at) / width) ** 2))


@pytest.mark.parametrize("size", [0.35, -0.35])
@pytest.mark.parametrize("slope", [0.0, 1.0])
def test_a_hump_is_named_with_its_place_and_does_not_cost_the_sweep(size, slope):
    fit = fit_barrier(changed(ramps(5, slope=slope), 3, hump(0.4, 0.03, size)))
    said = fit.flags[fit.flags["flag"] == "hump"]
    assert list(said["sweep"]) == [fit.table["sweep"][3]]
    place = float(said["detail"].iloc[0].split(" at ")[1].split(" nm")[0])
    assert abs(place - 0.24) < 0.03
    assert fit.table["used"].all()
    row = fit.table.iloc[3]
    assert abs(row["decay_per_nm"] - decay_from_barrier(0.5) * 1e-9) < 3 * row["decay_se_per_nm"]


def test_a_step_is_a_jump_and_no_hump():
    for seed in range(5):
        u = np.linspace(0, 1, POINTS)
        fit = fit_barrier(changed(ramps(seed), 3, np.where(u > 0.5, 1.6, 1.0)))
        flags = set(fit.flags.loc[fit.flags["sweep"] == fit.table["sweep"][3], "flag"])
        assert "jump" in flags
        assert "hump" not in flags


@repeated(4, 25)
@pytest.mark.parametrize("slope", [0.0, 1.0, 1.5])
def test_noise_has_no_humps(slope, repeats):
    """At most one sweep in a hundred, whatever the colour of the noise."""
    found = sum(
        (fit_barrier(ramps(50 + seed, slope=slope, gap=0.04)).flags["flag"] == "hump").sum() for seed in range(repeats)
    )
    assert found <= 0.01 * repeats * 20


def test_a_shape_that_all_sweeps_share_is_no_hump():
    sweeps = ramps(9)
    fit = fit_barrier(SweepSet("iz", sweeps.axis, sweeps.current * hump(0.5, 0.05, 0.2), sweeps.table))
    assert (fit.flags["flag"] == "hump").sum() <= 1
