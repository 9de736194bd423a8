"""A bend that the sweeps of a tip share is found, named and sized; noise that differs from sweep to sweep is none."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from barrier.examples import RANGE, VACUUM
from numpy.testing import assert_allclose
from scipy import stats
from statsmodels.stats.multivariate import test_mvmean as mean_of_many

from sts.barrier import fit_barrier
from sts.barrier.mean_residual import FEWEST, NESTED, mean_test
from sts.quantities import decay_from_barrier
from sts.simulate import Bench, HeightRamp, simulate_iz

DECAY = float(decay_from_barrier(4.4))
PINK = Bench(white_A=1e-12, gap_noise=0.02, gap_noise_slope=1.0, setpoint_scatter=0.03)
MAINS = Bench(white_A=1e-12, gap_noise=0.01, ripple_A=5e-12, setpoint_scatter=0.03)


def fitted(bench=VACUUM, bend=None, sweeps=9, tips=1, directions=("retract", "approach"), seed=1):
    each = len(directions) * sweeps
    made = simulate_iz(
        barrier_eV=4.4, height=RANGE, sweeps=sweeps * tips, bench=bench, seed=seed, tip=np.repeat(np.arange(tips), each),
        ramp=HeightRamp(directions=directions, bend=bend),
    )  # fmt: skip
    return fit_barrier(made.sweeps)


def slower_below(ratio, height=0.15e-9):
    return lambda z: (1 - ratio) * DECAY * np.minimum(z, height)


def near_contact(z):
    return -0.08 * DECAY * 0.08e-9 * np.exp(-z / 0.08e-9)


@pytest.mark.parametrize(
    ("bench", "bend"),
    [
        (VACUUM, slower_below(0.75)),
        (VACUUM, slower_below(0.9)),
        (PINK, slower_below(0.75)),
        (VACUUM, near_contact),
        (Bench(white_A=1e-12, gap_noise=0.01, gain_loss=0.03), None),
        (Bench(white_A=1e-12, gap_noise=0.01, second_range_A=1e-10, second_range_gain=1.03), None),
    ],
)
def test_what_all_sweeps_share_is_found(bench, bend):
    fit = fitted(bench, bend)
    assert (fit.bends["p"] < 1e-3).all()
    assert (fit.bends["bound_percent"] > 0.5).all()
    assert fit.table["flags"].str.contains("common bend").all()


@pytest.mark.parametrize("bench", [VACUUM, PINK, MAINS])
@pytest.mark.parametrize(("sweeps", "directions"), [(9, ("retract", "approach")), (FEWEST, ("retract",))])
def test_noise_is_no_bend(bench, sweeps, directions):
    assert fitted(bench, sweeps=sweeps, tips=6, directions=directions).bends.empty


def test_two_slopes_are_named_and_sized():
    row = fitted(bend=slower_below(0.9)).bends.iloc[0]
    assert row["shape"] == "falls with two slopes"
    assert_allclose(row["at_nm"], 0.15, atol=0.03)
    assert_allclose(row["far_percent"] - row["near_percent"], 100 * (1 / 0.81 - 1), atol=8)  # slopes 0.9 and 1
    assert 0.08 < row["straight_from_nm"] < 0.2
    assert row["words"].startswith("the mean of 18 sweeps falls with two slopes (at 0.1")


def test_a_wrong_range_is_named():
    row = fitted(Bench(white_A=1e-12, gap_noise=0.01, second_range_A=1e-10, second_range_gain=1.05)).bends.iloc[0]
    assert row["shape"] == "steps as between two ranges"
    assert_allclose(row["at_nm"], np.log(10) / DECAY * 1e9, atol=0.02)  # where 1 nA has fallen to 0.1 nA


def test_a_bend_is_not_called_slow_noise():
    fit = fitted(bend=slower_below(0.75))
    assert not fit.table["flags"].str.contains("slow noise").any()
    assert fitted(PINK, slower_below(0.75)).table["flags"].str.contains("slow noise").any()  # both are there


def test_too_few_sweeps_say_nothing():
    assert fitted(bend=slower_below(0.75), sweeps=FEWEST - 1, directions=("retract",)).bends.empty


def test_mean_test_is_that_of_the_handbook():
    rng = np.random.default_rng(4)
    one = rng.normal(0.7, 1, (6, 4))
    assert_allclose(mean_test(one), stats.ttest_1samp(one[:, 0], 0).pvalue)
    many = rng.normal(0.4, 1, (20, 4)) @ rng.normal(size=(4, 4))
    each = [mean_of_many(many[:, :k], np.zeros(k)).pvalue for k in NESTED[1:]]
    each.append(stats.ttest_1samp(many[:, 0], 0).pvalue)
    assert_allclose(mean_test(many), min(1, len(NESTED) * min(each)))


def test_mean_test_keeps_its_level():
    rng = np.random.default_rng(5)
    mix = rng.normal(size=(4, 4))
    p = np.array([mean_test(rng.normal(size=(17, 4)) @ mix) for _ in range(1000)])
    assert np.mean(p < 0.05) <= 0.065


@pytest.mark.study
def test_bends_and_false_alarms_keep_their_bounds(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.syspath_prepend(str(Path(__file__).resolve().parents[2] / "scripts"))
    from studies import bends as study

    assert not [f for f in study.run(quick=True, seed=3) if not f.kept and f.high == f.high]
