"""The zero of the bias from the symmetry of a gap: found with an uncertainty that holds, and never where symmetry tells nothing.

Truth: currents by direct integration of a density of states between Fermi functions (numpy, on a fine grid), which is what the
tunnelling current is (J. Bardeen, Phys. Rev. Lett. 6, 57 (1961), from memory); the density of a superconductor is written out here.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import constants, stats
from scipy.interpolate import CubicSpline
from scipy.special import expit

from sts.spectra.offsets import find_offsets, offsets_as_found
from sts.spectra.symmetry import Mirror, mirror_zero
from sts.sweeps import SweepSet, sweep_table

POINTS = 201
KB = constants.k / constants.e


def dynes(gap, broadening):
    def density(energy):
        shifted = np.abs(energy) - 1j * broadening
        return np.abs(np.real(shifted / np.sqrt(shifted**2 - gap**2)))

    return density


CASES = {  # density, half range [V], temperature [K]
    "superconductor at 4.2 K": (dynes(1.5e-3, 5e-5), 8e-3, 4.2),
    "superconductor at 0.4 K": (dynes(1.2e-3, 3e-5), 5e-3, 0.4),
    "superconductor on a slope": (lambda e: dynes(1.2e-3, 1e-4)(e) * (1 + 5 * e), 6e-3, 0.4),
    "metal": (np.ones_like, 0.01, 4.2),
    "straight line": (lambda e: 1 + 8 * e, 0.05, 4.2),
    "parabola": (lambda e: 0.2 + 3 * ((e - 0.01) / 0.05) ** 2, 0.05, 4.2),
    "V-shape": (lambda e: 0.1 + 20 * np.abs(e - 0.01), 0.05, 4.2),
    "semiconductor": (lambda e: 0.02 + np.where(e > 0.02, 1.0, np.where(e < -0.012, 0.8, 0.0)), 0.05, 4.2),
    "uneven peaks": (
        lambda e: 0.7 + 0.8 / (1 + ((e - 0.012) / 4e-3) ** 2) + 0.5 / (1 + ((e + 6e-3) / 4e-3) ** 2),
        0.04,
        4.2,
    ),
    "dip beside zero": (lambda e: 1 - 0.5 / (1 + ((e - 3e-3) / 4e-3) ** 2), 0.04, 4.2),
}
SUPERCONDUCTORS = [name for name in CASES if name.startswith("super")]
CURVES: dict[str, CubicSpline] = {}


def curve(name: str) -> CubicSpline:
    """Current of 1 nA at the end of the range."""
    if name not in CURVES:
        density, half, kelvin = CASES[name]
        kT = KB * kelvin
        step = min(kT / 8, half / 4000)
        energy = np.arange(-1.4 * half - 30 * kT, 1.4 * half + 30 * kT, step)
        bias = np.linspace(-1.3 * half, 1.3 * half, 521)
        current = np.array([density(energy) @ (expit((v - energy) / kT) - expit(-energy / kT)) * step for v in bias])
        CURVES[name] = CubicSpline(bias, 1e-9 * current / np.interp(half, bias, current))
    return CURVES[name]


def sweeps(rng, name: str, *, repeats=8, zero_V=0.0, zero_A=0.0, white=1e-12, setpoint=1e-9, kelvin=None) -> SweepSet:
    """Up and down, with a level of its own and slow noise of the gap in each repeat."""
    _, half, cold = CASES[name]
    bias = np.linspace(-half, half, POINTS)
    size = (2 * repeats, POINTS)
    slow = np.cumsum(rng.standard_normal(size), axis=1)
    slow = 2e-3 * (slow - slow.mean(axis=1, keepdims=True)) / slow.std()
    level = np.repeat(np.exp(0.03 * rng.standard_normal(repeats)), 2)[:, None] * setpoint / 1e-9
    current = level * curve(name)(bias - zero_V) * (1 + slow) + zero_A + white * rng.standard_normal(size)
    table = sweep_table(
        [f"{setpoint:g}_{i}" for i in range(2 * repeats)], direction=["up", "down"] * repeats,
        repeat=np.repeat(np.arange(repeats) + 1.0, 2), temperature_K=cold if kelvin is None else kelvin,
        setpoint_current_A=setpoint, setpoint_bias_V=half,
    )  # fmt: skip
    return SweepSet("iv", bias, current, table)


@pytest.mark.parametrize("name", SUPERCONDUCTORS)
def test_the_zero_of_bias_and_current_is_held_as_often_as_it_says(name):
    """95 % by Student's t of the repeats: 30 trials here; 92 to 98 % in 200 trials of 4 repeats, 60 of 8."""
    rng, hits = np.random.default_rng(3), []
    half = CASES[name][1]
    reach = stats.t.ppf(0.975, 7)
    for _ in range(30):
        bias, current = rng.uniform(-0.08, 0.08) * half, 2e-12 * rng.standard_normal()
        found = mirror_zero([sweeps(rng, name, zero_V=bias, zero_A=current, white=10 ** rng.uniform(-12.5, -11.3))])
        if isinstance(found, Mirror):
            hits.append([abs(found.bias_V - bias) < reach * found.bias_se_V,
                         abs(found.current_A - current) < reach * found.current_se_A])  # fmt: skip
    assert len(hits) >= 27
    assert (np.mean(hits, axis=0) >= 0.84).all()  # three standard deviations of 30 trials are 12 %


@pytest.mark.parametrize("name", [name for name in CASES if name not in SUPERCONDUCTORS])
def test_no_zero_is_found_where_symmetry_tells_none(name):
    """None in 25 trials; none in 60 trials each with 8 repeats, simulated otherwise."""
    rng, half = np.random.default_rng(4), CASES[name][1]
    for _ in range(25):
        made = sweeps(rng, name, zero_V=rng.uniform(-0.08, 0.08) * half, white=10 ** rng.uniform(-12.5, -11.3))
        assert isinstance(mirror_zero([made]), str)


def test_one_set_point_then_separates_the_offsets_and_lets_the_ratio_be_trusted():
    made = sweeps(np.random.default_rng(5), SUPERCONDUCTORS[0], zero_V=4e-4, zero_A=3e-12)
    found = find_offsets(made)
    assert found.separable
    assert found.from_symmetry
    assert "two flanks mirror" in found.how
    assert_allclose([found.bias_V, found.current_A], [4e-4, 3e-12], atol=0, rtol=0.05)
    left = offsets_as_found(found)
    assert 0 < left["bias_offset_V"] == 2 * found.bias_se_V < 2e-5


def test_where_the_zero_is_not_found_nothing_changes_and_the_reason_is_said():
    found = find_offsets(sweeps(np.random.default_rng(6), "V-shape"))
    assert not found.separable
    assert "nor by symmetry: " in found.how
    warm = find_offsets(sweeps(np.random.default_rng(6), "V-shape", kelvin=77.0))
    assert "symmetry" not in warm.how
    few = find_offsets(sweeps(np.random.default_rng(6), SUPERCONDUCTORS[0], repeats=3))
    assert not few.separable
    assert "4 repeats" in few.how


def test_two_set_points_that_say_otherwise_are_not_overruled():
    """The second set-point was taken with another zero of the bias: neither estimate is believed."""
    rng, name = np.random.default_rng(7), SUPERCONDUCTORS[0]
    alike = [sweeps(rng, name, setpoint=i, zero_V=4e-4, zero_A=2e-12) for i in (1e-9, 3e-10)]
    assert find_offsets(alike).from_symmetry
    moved = [sweeps(rng, name, setpoint=1e-9, zero_V=4e-4), sweeps(rng, name, setpoint=3e-10, zero_V=-4e-4, repeats=6)]
    found = find_offsets(moved)
    assert not found.separable
    assert "do not cross where the gap mirrors itself" in found.how


def test_why_there_is_no_mirror_is_said_for_each_reason():
    rng = np.random.default_rng(12)
    name = SUPERCONDUCTORS[0]
    good = sweeps(rng, name)
    assert isinstance(mirror_zero([good]), Mirror)
    turned = good.current.copy()
    turned[:2] *= -1
    assert mirror_zero([replace(good, current=turned)]) == "its repeats are not of one curve"
    aside = replace(good, axis=good.axis + 9e-3)
    assert mirror_zero([aside]) == "there are too few points on both sides of zero bias"
    retracted = sweeps(rng, name, setpoint=0.0)
    assert "needs 4 repeats" in mirror_zero([retracted])
    wide = replace(good, axis=good.axis * 60)  # the same curve as if of a gap of 90 meV
    assert "from its middle, which need not be zero bias then" in mirror_zero([wide])
