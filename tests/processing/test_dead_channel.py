"""A current that does not depend on the bias: told from a weak current, a gap and a limit."""

from __future__ import annotations

import numpy as np
import pytest

from sts.flags import FLAGS
from sts.plan import Plan
from sts.processing import judge_iv
from sts.sweeps import SweepSet, sweep_table

V = np.linspace(-1, 1, 200)
GAP = 1e-10 * np.sign(V) * np.maximum(np.abs(V) - 0.6, 0)


def dead(current: np.ndarray, **columns: object) -> set[str]:
    names = [f"s{i}" for i in range(len(current))]
    flags = judge_iv(SweepSet("iv", V, current, sweep_table(names, **columns)))
    return set(flags.loc[flags["flag"] == "dead channel", "sweep"])


def noise(seed: int, sweeps: int, size: float = 2e-12) -> np.ndarray:
    return size * np.random.default_rng(seed).normal(size=(sweeps, V.size))


@pytest.mark.parametrize("seed", range(30))
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
    alarms = sum(bool(dead(0.25e-12 * V + noise(seed, 40))) for seed in range(100))
    assert alarms <= 3


@pytest.mark.parametrize("size", [1e-13, 1e-12, 3e-12])
@pytest.mark.parametrize("sweeps", [1, 5])
def test_a_gap_is_not_dead(size, sweeps):
    assert not dead(GAP + noise(3, sweeps, size))


def test_a_dead_channel_is_left_out_by_rule():
    assert FLAGS["dead channel"].grave
    assert "dead channel" in Plan().check.omit
