"""Currents that relax from the start of a sweep are found, at the right end and with their time; spectra are not."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose

from sts.simulate import Bench, BiasRamp, gapped, simulate_iv, superconductor, v_shaped
from sts.spectra.faults.start_transient import find_start_transients
from sts.sweeps import SweepSet, sweep_table

QUIET = Bench(white_A=2e-12, setpoint_scatter=0.05)
TAU_S = 0.04
DENSITIES: dict[str, dict[str, Any]] = {
    "metal": {"density": "flat"},
    "V-shaped": {"density": v_shaped(floor=0.3, per_eV=1.5)},
    "one-sided gap": {"density": gapped(valence_eV=-1.2, conduction_eV=0.3), "bias": (-1.5, 1.5, 201)},
    "superconductor": {"density": superconductor(gap_eV=1.35e-3), "bias": (-8e-3, 8e-3, 201), "temperature_K": 1.8},
}


def pairs(seed: int, size_A: float = 0.0, *, density: str = "V-shaped", count: int = 4, **faults: Any) -> SweepSet:
    """Repeats up and down."""
    bench = replace(QUIET, transient_A=size_A, transient_s=TAU_S, **faults)
    return simulate_iv(sweeps=count, bench=bench, seed=seed, **DENSITIES[density]).sweeps


@cache
def starts(
    seed: int,
    sizes: tuple[float, ...],
    direction: str = "up",
    ranges: tuple[float, ...] = (0.5, 0.5, 0.5, 0.5, 0.2, 0.1),
) -> list[SweepSet]:
    """One sweep after the other in one direction, that begin at different biases: 1 nS, a set for each range."""
    made: dict[float, list[np.ndarray]] = {}
    for number, (reach, size) in enumerate(zip(ranges, sizes, strict=True)):
        bench = replace(QUIET, transient_A=size, transient_s=TAU_S)
        ramp = BiasRamp(directions=(direction or "up",))
        one = simulate_iv(**DENSITIES["V-shaped"], bias=(-reach, reach, 201), bench=bench, ramp=ramp,
                          setpoint_current_A=reach * 1e-9, seed=100 * seed + number)  # fmt: skip
        made.setdefault(reach, []).append(one.sweeps.current[0])
    return [
        SweepSet("iv", np.linspace(-reach, reach, 201), np.array(rows),
                 sweep_table([f"{reach:g} V {k}" for k in range(len(rows))], direction=direction, duration_s=0.5))
        for reach, rows in made.items()
    ]  # fmt: skip


@pytest.mark.parametrize("density", DENSITIES)
def test_up_and_down_show_it_at_opposite_ends(density: str):
    sweeps = pairs(1, 2e-11, density=density)
    found = find_start_transients([sweeps])
    assert sorted(one.row for one in found) == list(range(8))
    up = (sweeps.table["direction"] == "up").to_numpy(bool)
    assert all(one.end == (1 if up[one.row] else -1) for one in found)
    assert_allclose(np.median([one.size_A for one in found]), 2e-11, rtol=0.35)


@pytest.mark.parametrize("density", DENSITIES)
@pytest.mark.parametrize(
    "faults",
    [{}, {"gap_noise": 0.02, "gap_noise_slope": 1.0}, {"ripple_A": 9e-12}, {"drift_m_per_s": 5e-12},
     {"capacitance_F": 2e-12, "lag_s": 2e-3}, {"current_offset_A": 2e-11, "bias_offset_V": 1e-4}],
    ids=["white", "1/f", "ripple", "drift", "displacement and lag", "offsets"],
)  # fmt: skip
def test_what_a_settled_bench_shows_is_no_transient(density: str, faults: dict[str, Any]):
    assert not find_start_transients([pairs(11, density=density, **faults)])


def test_a_size_of_either_sign_comes_back_with_its_time():
    found = find_start_transients([pairs(2, -6e-11, density="metal")])
    assert len(found) == 8
    assert_allclose([one.size_A for one in found], -6e-11, rtol=0.2)
    assert_allclose([one.tau for one in found], TAU_S / 0.5 * 200, rtol=0.3)


@pytest.mark.parametrize("direction", ["up", "down", ""])
def test_sweeps_that_start_elsewhere_show_the_same_tail_in_time(direction: str):
    """All relax: those within the range of others by comparison, the widest are presumed to."""
    sets = starts(3, (4e-11,) * 6, direction)
    found = find_start_transients(sets)
    assert sum(len(part) for part in sets) == len(found)
    assert {one.end for one in found} == {-1 if direction == "down" else 1}
    assert {one.number for one in found if not one.how} == {0}
    compared = [one for one in found if one.how]
    assert_allclose([one.size_A for one in compared], 4e-11, rtol=0.3)


@pytest.mark.parametrize("direction", ["up", "down", ""])
def test_sweeps_of_different_starts_without_it_are_left_alone(direction: str):
    for seed in range(5):
        assert not find_start_transients(starts(seed, (0.0,) * 6, direction))


@pytest.mark.parametrize("size_A", [0.0, 1.2e-11])
def test_beside_a_gap_a_transient_of_six_times_the_noise_is_found_by_two_starts(size_A: float):
    bench = replace(QUIET, transient_A=size_A, transient_s=TAU_S)
    low, high, points = DENSITIES["superconductor"]["bias"]
    sets = [
        simulate_iv(**DENSITIES["superconductor"] | {"bias": (share * low, share * high, points)}, sweeps=4, bench=bench, seed=seed,
                    ramp=BiasRamp(directions=("up",), setpoint_bias_V=high, names=f"iv{share:.0%}")).sweeps
        for seed, share in ((31, 1.0), (32, 0.35))
    ]  # fmt: skip
    found = [one.row for one in find_start_transients(sets) if one.number == 1]
    assert found == (list(range(4)) if size_A else [])


@pytest.mark.parametrize("direction", ["down", ""])
def test_among_sweeps_that_start_alike_one_stands_out(direction: str):
    found = find_start_transients(starts(4, (0, 0, 0, 6e-11, 0, 0), direction))
    assert [(one.number, one.row, one.end) for one in found] == [(0, 3, -1 if direction else 1)]


def test_one_start_in_one_direction_says_nothing():
    """However large: what all sweeps show at the same biases may be a spectrum."""
    assert not find_start_transients(starts(5, (9e-11,) * 4, ranges=(0.5,) * 4))


def test_measured_sweeps_are_left_alone(opendata: Path):
    """A Langmuir probe's I(V) and four repeats of a junction array, each in one direction."""
    bias, current = np.load(opendata / "probe-iv-exponential" / "Beckers2017b.npy")
    table = np.genfromtxt(opendata / "cbt-array-calibration" / "d483.csv", delimiter=",", names=True)
    repeats = np.array([table[f"I_Cu_A_s{k}"] for k in range(1, 5)])
    sets = [
        SweepSet("iv", bias, current[None], sweep_table(["probe"], tip="probe")),
        SweepSet(
            "iv", table["bias_mV"] * 1e-3, repeats, sweep_table(["a", "b", "c", "d"], tip="array", direction="up")
        ),
    ]
    assert not find_start_transients(sets)


def test_slow_noise_of_a_gapped_current_is_no_transient():
    """Current flows at both ends only: there 1/f noise of 0.5 % looked like a relaxation in two of a hundred settled sweeps."""
    bench = Bench(white_A=1e-12, gap_noise=0.005, gap_noise_slope=1.0, setpoint_scatter=0.05)
    told = [find_start_transients([simulate_iv(density="gapped", bias=(-1.0, 1.0, 128), sweeps=20, bench=bench, seed=seed).sweeps])
            for seed in range(8)]  # fmt: skip
    assert sum(map(len, told)) <= 3
