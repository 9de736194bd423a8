"""A current that depends on neither bias nor height: told from a weak current, a gap and a limit."""

from __future__ import annotations

import warnings

import numpy as np
import pytest

from sts.barrier import fit_barrier
from sts.curves.dead_channel import dead_rows
from sts.flags import FLAGS
from sts.plan import Plan
from sts.spectra import judge_iv
from sts.sweeps import SweepSet, sweep_table

V = np.linspace(-1, 1, 200)
GAP = 1e-10 * np.sign(V) * np.maximum(np.abs(V) - 0.6, 0)


def dead(current: np.ndarray, **columns: object) -> set[str]:
    names = [f"s{i}" for i in range(len(current))]
    flags = judge_iv(SweepSet("iv", V, current, sweep_table(names, **columns)))
    return set(flags.loc[flags["flag"] == "dead channel", "sweep"])


def noise(seed: int, sweeps: int, size: float = 2e-12) -> np.ndarray:
    return size * np.random.default_rng(seed).normal(size=(sweeps, V.size))


@pytest.mark.parametrize("seed", range(10))
def test_a_dead_sweep_among_good_ones_is_found_and_no_other(seed):
    good = 1e-10 * V + noise(seed, 6)
    assert dead(np.vstack([good, 5e-12 + noise(seed + 99, 1)])) == {"s6"}


@pytest.mark.parametrize("sweeps", [1, 2, 8])
def test_where_all_are_dead_all_are_said_to_be(sweeps):
    assert len(dead(noise(1, sweeps))) == sweeps


@pytest.mark.parametrize("level", [0.0, 3e-12, -1e-9])
def test_one_number_throughout_is_a_dead_channel_not_a_limit(level):
    flags = judge_iv(SweepSet("iv", V, np.full((3, V.size), level), sweep_table(list("abc"))))
    assert set(flags["flag"]) == {"dead channel"}


def test_one_number_at_the_full_scale_is_a_limit():
    sweeps = SweepSet("iv", V, np.full((2, V.size), 1e-8), sweep_table(["a", "b"], full_scale_A=1e-8))
    assert "all saturated" in set(judge_iv(sweeps)["flag"])


def test_a_current_that_only_the_mean_shows_is_not_dead():
    """Forty sweeps in which each alone shows nothing, and their mean a slope six times its error."""
    alarms = sum(bool(dead(0.25e-12 * V + noise(seed, 40))) for seed in range(40))
    assert alarms <= 1  # at 15 % of alarms that has a chance of 1 %


@pytest.mark.parametrize("size", [1e-13, 1e-12, 3e-12])
@pytest.mark.parametrize("sweeps", [1, 5])
def test_a_gap_is_not_dead(size, sweeps):
    assert not dead(GAP + noise(3, sweeps, size))


def test_a_dead_channel_is_left_out_by_rule():
    assert FLAGS["dead channel"].grave
    assert "dead channel" in Plan().check.omit


Z = np.linspace(0, 1e-9, 200)
FALLING = 1e-9 * np.exp(-2e10 * Z)


def dead_heights(current: np.ndarray, **columns: object) -> tuple[set[str], set[str]]:
    """The I(z) sweeps called dead, and those used."""
    names = [f"s{i}" for i in range(len(current))]
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        fit = fit_barrier(SweepSet("iz", Z, current, sweep_table(names, **columns)))
    used = set(fit.table.loc[fit.table["used"], "sweep"])
    return set(fit.flags.loc[fit.flags["flag"] == "dead channel", "sweep"]), used


@pytest.mark.parametrize("level", [0.0, 3e-12, -1e-9])
@pytest.mark.parametrize("others", [0, 6])
def test_one_number_at_every_height_is_a_dead_channel(level, others):
    current = np.vstack([FALLING + noise(1, others), np.full((2, Z.size), level)])
    found, used = dead_heights(current)
    assert found == {f"s{others}", f"s{others + 1}"}
    assert used == {f"s{i}" for i in range(others)}


def test_one_number_at_every_height_at_the_full_scale_is_a_limit():
    assert dead_heights(np.full((2, Z.size), 1e-8), full_scale_A=1e-8) == (set(), set())


@pytest.mark.parametrize("seed", range(8))
def test_nothing_but_noise_at_every_height_is_a_dead_channel(seed):
    found, used = dead_heights(np.vstack([FALLING + noise(seed, 6), noise(seed + 99, 1)]))
    assert found == {"s6"}
    assert used == {f"s{i}" for i in range(6)}


def test_a_weak_current_among_others_like_it_is_not_dead_at_any_height():
    found, _ = dead_heights(3e-3 * FALLING + noise(5, 40))
    assert len(found) <= 1


ODD = {
    "zero over one half": np.where(Z < 5e-10, FALLING, 0),
    "zero at first": np.where(Z > 5e-10, FALLING, 0),
    "missing": np.full(Z.size, np.nan),
    "every second missing, the others zero": np.where(np.arange(Z.size) % 2, 0, np.nan),
    "one sample": np.where(np.arange(Z.size) == 3, 1e-9, 0),
    "two levels": np.where(Z < 5e-10, 1e-9, 1e-10),
    "to and fro": np.where(np.arange(Z.size) % 2, 1e-9, -1e-9),
    "few left": np.where(np.arange(Z.size) < 4, FALLING, np.nan),
}


@pytest.mark.parametrize("others", [0, 6])
@pytest.mark.parametrize("which", ODD)
def test_no_odd_sweep_makes_numpy_warn(which, others):
    current = np.vstack([FALLING + noise(2, others), ODD[which][None]])
    dead_heights(current)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        judge_iv(SweepSet("iv", V, current, sweep_table([f"s{i}" for i in range(others + 1)])))


@pytest.mark.parametrize("points", [8, 9, 10, 12, 15, 20, 30])
def test_few_points_of_a_falling_current_are_no_dead_channel(points):
    """Every stretch of three samples held so much of the fall that it looked like scatter: all sweeps of ten points."""
    z = np.linspace(0, 0.36e-9, points)
    rng = np.random.default_rng(points)
    falling = 1e-9 * np.exp(-21e9 * z) + 1e-12 * rng.standard_normal((40, points))
    nothing = 1e-12 * rng.standard_normal((40, points))
    names = [f"s{i}" for i in range(80)]
    both = np.vstack([falling, nothing])
    found = set(dead_rows(names, both, falling, "height")["sweep"])
    assert not found & set(names[:40])
    assert points < 9 or len(found) >= 38
