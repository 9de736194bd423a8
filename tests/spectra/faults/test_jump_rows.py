"""Which sweeps of a group jump: each for a step of its own."""

from __future__ import annotations

import numpy as np
from spectra.bench import one_is_noisy

from sts.plan import CheckPlan
from sts.simulate import Bench
from sts.spectra import judge_iv
from sts.sweeps import SweepSet, sweep_table

QUIET = Bench(white_A=2e-12, shot_bandwidth_Hz=1e4, setpoint_scatter=0.03)
SLOW = Bench(white_A=1e-12, gap_noise=0.03, gap_noise_slope=1, setpoint_scatter=0.1)


def flagged(sweeps: SweepSet, flag: str, plan: CheckPlan | None = None) -> set[str]:
    rows = judge_iv(sweeps, plan)
    return set(rows.loc[rows["flag"] == flag, "sweep"])


def test_where_most_sweeps_jump_the_jumping_ones_are_told_and_the_smooth_one_is_not():
    """Four of five by ×1.5, each at its own bias: their median jumps, and the smooth sweep does not follow it."""
    sweeps = one_is_noisy(5, 1.0)
    for row, at in enumerate((40, 70, 140, 170)):
        sweeps.current[row, at:] *= 1.5
    assert flagged(sweeps, "jump") == {"s0", "s1", "s2", "s3"}


def test_sites_whose_features_lie_elsewhere_do_not_jump():
    """Step edges at the gap that differ by 8 % from site to site (three sites of two): own arithmetic, no jump in any."""
    v, rng = np.linspace(-1, 1, 201), np.random.default_rng(5)
    edges = 0.4 * (1 + 0.08 * rng.standard_normal(3))
    clean = np.array([1e-9 * (np.maximum(v - e, 0) - np.maximum(-v - e, 0)) + 2e-11 * v for e in np.repeat(edges, 2)])
    current = clean + 2e-12 * rng.standard_normal(clean.shape)
    table = sweep_table([f"s{k}" for k in range(6)], site=list("aabbcc"), direction="up")
    assert flagged(SweepSet("iv", v, current, table), "jump") == set()


def test_a_flank_of_a_lock_in_channel_is_no_jump_and_a_jump_of_one_of_five_is():
    v, rng = np.linspace(-2e-3, 2e-3, 161), np.random.default_rng(6)
    flanks = 1 / (1 + np.exp(-(np.abs(v) - 5e-4) / 5e-6)) + np.exp(-np.abs(np.abs(v) - 6e-4) / 1e-4)
    rows = 1e-9 * (0.02 + flanks) * (1 + 0.005 * rng.standard_normal((5, v.size)))
    unknown = np.full(rows.shape, np.nan)

    def jumping(lockin: np.ndarray) -> set[str]:
        names = [f"s{k}" for k in range(len(lockin))]
        return flagged(SweepSet("iv", v, unknown[: len(lockin)], sweep_table(names), lockin=lockin), "jump")

    for count in (1, 2, 5):
        assert jumping(rows[:count]) == set()
    rows[3, 130:] *= 1.5
    assert jumping(rows) == {"s3"}
