"""Barrier heights: exact on noise-free data, right on average and honest on noisy data, and never silent."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from scipy.signal import lfilter

from sts.barrier import fit_barrier, pair_directions, slopes_by_repeat, window_sensitivity
from sts.barrier.fit import SWEEP_COLUMNS
from sts.plan import Plan
from sts.quantities import barrier_from_decay, decay_from_barrier
from sts.simulate import Bench, planar_current_density, simulate_iz
from sts.sweeps import SweepSet, sweep_table

RANGE = (0.0, 0.36e-9, 150)
VACUUM = Bench(white_A=1e-12, gap_noise=0.01)


def flags_of(fit, row=0):
    return set(fit.table["flags"][row].split(";")) - {""}


def a_set(z, current, **columns):
    current = np.atleast_2d(current)
    return SweepSet("iz", z, current, sweep_table([f"s{i}" for i in range(len(current))], **columns))


@pytest.mark.parametrize("barrier", [0.1, 0.3, 1.0, 2.5, 4.0, 5.5, 8.0])
@pytest.mark.parametrize("current", [1e-14, 1e-9, 1e-6])
@pytest.mark.parametrize("offset", [0.0, 0.05])
def test_a_noise_free_exponential_returns_its_barrier(barrier, current, offset):
    """φ = (ħ²/8m)(d ln I/dz)²: closed form, any scale of current, offset free."""
    z = np.linspace(0, 3 * 2.3 / np.sqrt(barrier) * 1e-10, 120)
    decay = np.sqrt(barrier / barrier_from_decay(1.0))
    fit = fit_barrier(a_set(z, current * (np.exp(-decay * z) + offset)))
    assert_allclose(fit.table["barrier_eV"], barrier, rtol=1e-8)


# barrier_measurements.csv / constants.csv (computed, formula C2): slope of ln I per nm -> φ [eV].
@pytest.mark.parametrize(("decay_per_nm", "barrier"), [(10.2463344463, 1.0), (20.4926688926, 4.0), (22.9115, 5.0)])
def test_the_slope_of_the_logarithm_gives_the_tabulated_barrier(decay_per_nm, barrier):
    z = np.sort(np.random.default_rng(3).uniform(0, 0.4e-9, 90))  # any spacing
    fit = fit_barrier(a_set(z, 1e-9 * np.exp(-decay_per_nm * 1e9 * z)))
    assert_allclose(fit.table["decay_per_nm"], decay_per_nm, rtol=1e-8)
    assert_allclose(fit.table["barrier_eV"], barrier, rtol=1e-4)


def test_planar_junctions_do_not_give_their_barrier_back():
    """Physics, not a fault: 4.62 eV for 4.00 eV at 0.7 nm (shared reference notes, formula J4, computed)."""
    z = np.linspace(-2e-12, 2e-12, 41)
    current = planar_current_density(0.001, 0.7e-9 + z, 4.0)
    slope = -np.polyfit(z, np.log(current), 1)[0]  # numpy's own straight line over a small range
    assert_allclose(barrier_from_decay(slope), 4.62, atol=0.01)


@pytest.fixture(scope="module")
def many():
    return fit_barrier(simulate_iz(barrier_eV=4.4, height=RANGE, sweeps=600, bench=VACUUM, seed=11, tip="t").sweeps)


def test_the_fit_is_right_on_average_and_its_intervals_hold(many):
    table = many.table
    assert abs(table["barrier_eV"].median() / 4.4 - 1) < 0.005
    inside = (table["barrier_low_eV"] < 4.4) & (table["barrier_high_eV"] > 4.4)
    assert 0.92 < inside.mean() < 0.975  # 95 % of 600: standard deviation 0.9 %
    assert_allclose(table["barrier_eV"].std(), table["barrier_se_eV"].mean(), rtol=0.1)


def test_the_spread_reaches_the_limit_of_cramer_and_rao(many):
    """Information of the known noise in A, decay and offset: no unbiased estimate scatters less (closed form)."""
    z = np.linspace(*RANGE)
    decay = np.sqrt(4.4 / barrier_from_decay(1.0))
    signal = 1e-9 * np.exp(-decay * z)
    jacobian = np.stack([signal, -z * signal, np.ones_like(z)], axis=1)
    weight = 1 / (1e-12**2 + (0.01 * signal) ** 2)
    limit = np.sqrt(np.linalg.inv(jacobian.T @ (weight[:, None] * jacobian))[1, 1])
    assert many.table["decay_per_nm"].std() * 1e9 < 1.15 * limit


def test_the_noise_is_found_from_the_data(many):
    assert_allclose(many.noise["electronics_pA"], 1.0, rtol=0.1)
    assert_allclose(many.noise["gap_percent"], 1.0, rtol=0.1)


def test_the_plain_log_fit_stands_beside_and_is_wrong():
    """A positive offset of 1 % lowers a log fit over three decades by half (closed form; here 10 pA on 1 nA)."""
    bench = Bench(white_A=1e-12, gap_noise=0.01, current_offset_A=1e-11)
    table = fit_barrier(simulate_iz(barrier_eV=4.4, height=RANGE, sweeps=50, bench=bench, seed=1, tip="t").sweeps).table
    assert table["barrier_log_eV"].median() < 0.6 * 4.4
    assert abs(table["barrier_eV"].median() / 4.4 - 1) < 0.01


def test_the_table_keeps_its_contract(many):
    assert tuple(many.table.columns[: len(SWEEP_COLUMNS)]) == SWEEP_COLUMNS


def test_clean_sweeps_carry_no_flag(many):
    assert (many.table["flags"] != "").mean() < 0.02


@pytest.mark.parametrize("bench", [VACUUM, Bench(white_A=6e-12, gap_noise=0.03),
                                   Bench(white_A=1e-12, gap_noise=0.03, gap_noise_slope=1.0)])  # fmt: skip
@pytest.mark.parametrize("factor", [1.5, 1 / 1.5, 3.0])
def test_jumps_are_found(bench, factor):
    made = simulate_iz(barrier_eV=4.4, height=(0, 0.3e-9, 150), sweeps=200, bench=bench, seed=5, tip="t").sweeps
    current = made.current.copy()
    current[:100, 50:] *= factor
    fit = fit_barrier(SweepSet("iz", made.axis, current, made.table))
    found = fit.table["flags"].str.contains("jump").to_numpy()
    assert found[:100].mean() >= 0.95
    assert found[100:].mean() <= 0.01
    assert not fit.table["used"][found].any()


def test_saturated_samples_are_masked_and_the_barrier_stays_right():
    made = simulate_iz(barrier_eV=4.4, current_A=3e-8, height=(0, 0.45e-9, 200), sweeps=50, seed=2, tip="t",
                       bench=Bench(white_A=1e-12, gap_noise=0.01, full_scale_A=1e-8))  # fmt: skip
    fit = fit_barrier(made.sweeps)
    assert all("saturated" in f for f in fit.table["flags"])
    assert fit.table["used"].all()
    assert abs(fit.table["barrier_eV"].median() / 4.4 - 1) < 0.005


def test_slow_noise_is_recognised_and_widens_the_interval():
    bench = Bench(white_A=1e-12, gap_noise=0.03, gap_noise_slope=1.0)
    fit = fit_barrier(simulate_iz(barrier_eV=4.4, height=RANGE, sweeps=100, bench=bench, seed=3, tip="t").sweeps)
    assert fit.table["flags"].str.contains("slow noise").mean() > 0.9


# --- input that cannot give a barrier --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("current", "flag"),
    [
        (np.full(50, 1e-8), "all saturated"),
        (np.full(50, np.nan), "too few points"),
        (np.r_[1e-9, 5e-10, np.full(48, np.nan)], "too few points"),
        (1e-9 * np.exp(5 * np.linspace(-1, 0, 50)), "wrong sign"),
        (-1e-9 * np.exp(-5 * np.linspace(0, 1, 50)), "negative current"),
        (1e-9 * np.exp(-1.5 * np.linspace(0, 1, 50)), "few decades"),
        (1e-9 * np.exp(-2.0 * np.linspace(0, 1, 50) * 3), "low barrier"),
        (1e-9 * np.exp(-30.0 * np.linspace(0, 1, 50)), "high barrier"),
    ],
)
def test_bad_sweeps_are_flagged_and_the_others_go_on(current, flag):
    z = np.linspace(0, 1e-9, 50)
    good = 1e-9 * np.exp(-20e9 * z)
    table = sweep_table(["bad", "good"], full_scale_A=[1e-8, np.nan])
    fit = fit_barrier(SweepSet("iz", z, np.stack([current, good]), table))
    assert flag in flags_of(fit, 0)
    assert_allclose(fit.table["barrier_eV"][1], barrier_from_decay(20e9), rtol=1e-6)


def test_bias_contact_and_mixed_biases_are_flagged():
    z = np.linspace(0, 0.4e-9, 100)
    current = 5e-6 * np.exp(-21e9 * z)
    fit = fit_barrier(a_set(z, np.stack([current, current]), bias_V=[0.1, 0.5], tip="t", site="1"))
    assert {"contact", "mixed biases"} <= flags_of(fit, 0)
    assert {"high bias", "mixed biases"} <= flags_of(fit, 1)


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


def test_an_iv_set_is_refused():
    iv = SweepSet("iv", np.linspace(-1, 1, 5), np.ones((1, 5)), sweep_table(["a"]))
    with pytest.raises(ValueError, match=r"these are I\(V\) sweeps"):
        fit_barrier(iv)


def test_a_fit_says_what_the_rules_leave_out():
    made = simulate_iz(barrier_eV=4.4, height=RANGE, sweeps=6, bench=VACUUM, seed=4, tip="t").sweeps
    current = made.current.copy()
    current[0, 50:] *= 2
    sweeps = SweepSet("iz", made.axis, current, made.table)
    assert list(fit_barrier(sweeps).table["used"]) == [False] + [True] * 5


@pytest.mark.parametrize("gain", [1e-5, 50.0])
def test_the_gain_of_the_amplifier_does_not_matter(gain):
    made = simulate_iz(barrier_eV=4.4, height=RANGE, sweeps=5, bench=VACUUM, seed=8, tip="t").sweeps
    scaled = SweepSet("iz", made.axis, made.current * gain, made.table)
    assert_allclose(fit_barrier(scaled).table["barrier_eV"], fit_barrier(made).table["barrier_eV"], rtol=1e-6)


def test_a_height_scale_enters_with_its_square():
    made = simulate_iz(barrier_eV=4.4, height=RANGE, sweeps=5, bench=VACUUM, seed=8, tip="t").sweeps
    scaled = replace(made, axis=made.axis / 1.05)
    ratio = fit_barrier(scaled).table["barrier_eV"] / fit_barrier(made).table["barrier_eV"]
    assert_allclose(ratio, 1.1025, rtol=1e-6)  # 5 % in height: 10.25 % in φ


def test_the_order_of_the_sweeps_does_not_matter():
    made = simulate_iz(barrier_eV=4.4, height=RANGE, sweeps=8, bench=VACUUM, seed=8, tip="t").sweeps
    turned = fit_barrier(made.select(np.arange(8)[::-1])).table["barrier_eV"].to_numpy()
    assert_allclose(turned[::-1], fit_barrier(made).table["barrier_eV"], rtol=1e-9)


# --- directions and windows ------------------------------------------------------------------------------------------


def test_the_mean_of_the_directions_cancels_drift_and_the_difference_measures_it():
    """0.06 nm/s against 1 nm/s: 6 % in each slope (common practice, no source: kinematics of the ramp)."""
    made = simulate_iz(barrier_eV=4.4, height=(0, 0.4e-9, 150), sweeps=40, duration_s=0.4, seed=9, tip="t", site="1",
                       directions=("retract", "approach"),
                       bench=Bench(white_A=1e-12, gap_noise=0.01, drift_m_per_s=6e-11))  # fmt: skip
    fit = fit_barrier(made.sweeps)
    pairs, flags = pair_directions(fit.table)
    assert len(pairs) == 40
    assert_allclose(pairs["drift_pm_per_s"].mean(), 60, rtol=0.05)
    assert abs(barrier_from_decay(pairs["decay_per_nm"].mean() * 1e9) / 4.4 - 1) < 0.005
    assert (~pairs["agree"]).all()
    assert set(flags["flag"]) == {"directions disagree"}
    repeats = slopes_by_repeat(fit.table)
    assert_allclose(repeats["decay_per_nm"], pairs["decay_per_nm"])
    assert (repeats["sweeps"] == 2).all()


def test_two_directions_share_uncertainty_and_degrees_of_freedom():
    """Of a mean of two slopes, by F. E. Satterthwaite, Biometrics Bull. 2, 110 (1946)."""
    made = simulate_iz(barrier_eV=4.4, height=(0, 0.4e-9, 150), sweeps=3, duration_s=0.4, seed=5, tip="t", site="1",
                       directions=("retract", "approach"), bench=Bench(white_A=1e-12, gap_noise=0.01))  # fmt: skip
    table = fit_barrier(made.sweeps).table
    repeats = slopes_by_repeat(table)
    for number, found in repeats.set_index("repeat").iterrows():
        both = table[table["repeat"] == number]
        u2 = (both["decay_se_per_nm"].to_numpy(float) / 2) ** 2
        assert len(both) == 2
        assert_allclose(found["decay_se_per_nm"], np.sqrt(u2.sum()), rtol=1e-12)
        assert_allclose(found["dof"], u2.sum() ** 2 / (u2**2 / both["dof"]).sum(), rtol=1e-12)


def test_sweeps_of_unknown_repeat_stand_alone():
    z = np.linspace(0, 0.4e-9, 60)
    fit = fit_barrier(a_set(z, np.stack([1e-9 * np.exp(-20e9 * z)] * 3), tip="t", site="1"))
    assert len(slopes_by_repeat(fit.table)) == 3
    assert pair_directions(fit.table)[0].empty


def test_the_window_does_not_matter_for_clean_data_and_does_for_a_bent_sweep():
    z = np.linspace(0, 0.4e-9, 150)
    straight, bent = 1e-9 * np.exp(-20e9 * z), 1e-9 * np.exp(-16e9 * z - 15e18 * z**2)
    fit = fit_barrier(a_set(z, np.stack([straight, bent])))
    window = window_sensitivity(fit)
    spread = window.groupby("sweep")["barrier_eV"].agg(lambda b: b.max() - b.min())
    assert spread["s0"] < 1e-6
    assert spread["s1"] > 0.1
    assert (window["lower_cut_nm"].min(), window["upper_cut_nm"].max()) == pytest.approx((0.0, 0.4))
    assert (window["lower_cut_nm"].max(), window["upper_cut_nm"].min()) == pytest.approx((0.1, 0.3))
    assert fit.table["choice_spread_eV"][1] > 100 * fit.table["choice_spread_eV"][0]


def test_blocks_do_not_show_in_the_result():
    plan = Plan()
    made = simulate_iz(barrier_eV=4.4, height=(0, 0.36e-9, 1200), sweeps=150, bench=VACUUM, seed=8, tip="t").sweeps
    whole = fit_barrier(made, plan).table["barrier_eV"]  # 109 rows a block: two blocks
    assert np.isfinite(whole).all()
    assert abs(whole.median() / 4.4 - 1) < 0.005


def test_sweeps_noisier_or_quieter_than_their_tip_get_a_noise_of_their_own():
    """Gap noise of 0.5, 2 and 5 % mixed under one tip: each third keeps its coverage, and none is called jumping."""
    third = 500
    parts = [
        simulate_iz(barrier_eV=4.4, height=RANGE, sweeps=third, bench=Bench(white_A=1e-12, gap_noise=gap), seed=k,
                    tip="t", names=f"n{k}").sweeps
        for k, gap in enumerate((0.005, 0.02, 0.05))
    ]  # fmt: skip
    table = pd.concat([part.table for part in parts], ignore_index=True)
    fit = fit_barrier(SweepSet("iz", parts[0].axis, np.concatenate([part.current for part in parts]), table))
    inside = ((fit.table["barrier_low_eV"] < 4.4) & (fit.table["barrier_high_eV"] > 4.4)).to_numpy().reshape(3, third)
    assert inside.mean(axis=1).min() > 0.92
    assert inside.mean(axis=1).max() < 0.985
    assert not fit.table["flags"].str.contains("jump").to_numpy().reshape(3, third).mean(axis=1).max() > 0.01
    assert_allclose(fit.table["gap_percent"].to_numpy().reshape(3, third).mean(axis=1)[2], 5.0, rtol=0.15)


def test_a_steep_concave_fall_is_not_said_to_grow():
    """A current that falls ever steeper has a negative fitted decay, but does not grow with height."""
    z = np.linspace(0, 1e-10, 60)
    fit = fit_barrier(a_set(z, 1e-9 * (1.5 - np.exp(3e9 * z))))
    assert "wrong sign" not in flags_of(fit)
    assert "few decades" in flags_of(fit)


# --- what one sweep may do to the others -----------------------------------------------------------------------------


def held(table, barrier_eV=4.4):
    """Share of the intervals that hold the truth."""
    return ((table["barrier_low_eV"] <= barrier_eV) & (barrier_eV <= table["barrier_high_eV"])).mean()


@pytest.mark.parametrize("dead", [1e-8, np.nan, 0.0])
def test_a_dead_sweep_does_not_spoil_the_noise_of_its_tip(dead):
    made = simulate_iz(barrier_eV=4.4, height=RANGE, sweeps=100, seed=3, tip="t",
                       bench=Bench(white_A=1e-12, gap_noise=0.03, gap_noise_slope=1)).sweeps  # fmt: skip
    current = made.current.copy()
    current[7] = dead
    spoiled = fit_barrier(replace(made, current=current, table=made.table.assign(full_scale_A=1e-8)))
    whole = fit_barrier(replace(made, table=made.table.assign(full_scale_A=1e-8)))
    others = np.arange(100) != 7
    assert_allclose(spoiled.table["barrier_se_eV"][others], whole.table["barrier_se_eV"][others], rtol=0.05)
    assert not spoiled.table["used"][7]


def test_the_noise_is_that_of_both_directions_however_many_pairs_there_are():
    """With 151 pairs every second sweep is every retract sweep; 3 % gap noise behind a lag is slow in both."""
    made = simulate_iz(barrier_eV=4.4, height=RANGE, sweeps=151, seed=3, tip="t", site="1", duration_s=0.1,
                       directions=("retract", "approach"), bench=Bench(white_A=1e-12, gap_noise=0.03, lag_s=3e-3))  # fmt: skip
    table = fit_barrier(made.sweeps).table
    for direction in ("retract", "approach"):
        assert held(table[table["direction"] == direction]) > 0.88


@pytest.mark.parametrize("memory", [0.3, 0.6, 0.8])
def test_electronics_noise_behind_a_filter_widens_the_interval(memory):
    """AR(1) noise of 2 pA, made by a general library: scipy.signal.lfilter."""
    rng = np.random.default_rng(1)
    z = np.linspace(0, 0.4e-9, 150)
    noise = lfilter([np.sqrt(1 - memory**2)], [1, -memory], rng.standard_normal((300, 350)))[:, 200:]
    clean = 1e-9 * np.exp(-decay_from_barrier(4.4) * z)
    current = clean * (1 + 0.01 * rng.standard_normal((300, 150))) + 2e-12 * noise
    assert 0.90 < held(fit_barrier(a_set(z, current, tip="t", site="1")).table) < 0.985  # white intervals: 0.5 to 0.85
