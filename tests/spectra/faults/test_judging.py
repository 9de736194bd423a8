"""Every planted fault is flagged, with its reason, and nothing else of the kind."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from often import repeated
from scipy.stats import binom
from spectra.bench import measured, one_is_noisy

from sts.plan import CheckPlan
from sts.simulate import Bench, simulate_iv
from sts.spectra import judge_iv
from sts.spectra.faults.judging import level_trend, small_sample_factor
from sts.sweeps import SweepSet, sweep_table

QUIET = Bench(white_A=2e-12, shot_bandwidth_Hz=1e4, setpoint_scatter=0.03)
SLOW = Bench(white_A=1e-12, gap_noise=0.03, gap_noise_slope=1, setpoint_scatter=0.1)


def flagged(sweeps: SweepSet, flag: str, plan: CheckPlan | None = None) -> set[str]:
    rows = judge_iv(sweeps, plan)
    return set(rows.loc[rows["flag"] == flag, "sweep"])


@pytest.mark.parametrize("bench", [QUIET, SLOW], ids=["shot noise", "1/f noise"])
@pytest.mark.parametrize("density", ["flat", "v_shaped", "gapped"])
def test_planted_jumps_are_found_and_others_are_not(bench: Bench, density: str):
    """×1.5 somewhere in every tenth sweep: at least 95 % found, at most 1 % false (issue's figures)."""
    found = planted = false = clean = 0
    for seed in range(12):
        sweeps, jumped = measured(
            seed, density=density, sweeps=10, bench=replace(bench, jump_factor=1.5, jump_share=0.1)
        )
        left_out = flagged(sweeps, "jump") | flagged(sweeps, "outlier")
        found += len(left_out & set(jumped))
        planted += len(jumped)
        false += len(left_out - set(jumped))
        clean += len(sweeps) - len(jumped)
    assert planted > 10
    assert found >= 0.95 * planted
    assert false <= 0.01 * clean


def test_measured_smooth_sweeps_are_left_alone(opendata: Path):
    """A Langmuir probe's I(V) and four repeats of a junction array: no jump, no outlier."""
    bias, current = np.load(opendata / "probe-iv-exponential" / "Beckers2017b.npy")
    assert not len(judge_iv(SweepSet("iv", bias, current[None], sweep_table(["probe"]))))
    table = np.genfromtxt(opendata / "cbt-array-calibration" / "d483.csv", delimiter=",", names=True)
    current = np.array([table[f"I_Cu_A_s{k}"] for k in range(1, 5)])
    sweeps = SweepSet("iv", table["bias_mV"] * 1e-3, current, sweep_table(["a", "b", "c", "d"], direction="up"))
    assert not len(judge_iv(sweeps))


@pytest.mark.parametrize("factor", [0.3, 1.6])
def test_a_sweep_far_from_its_group_is_an_outlier_with_its_size(factor: float):
    sweeps, _ = measured(1, sweeps=8, bench=QUIET)
    sweeps.current[4] *= factor
    rows = judge_iv(sweeps)
    found = rows[rows["flag"] == "outlier"]
    assert found["sweep"].tolist() == [sweeps.names[4]]
    assert f"{factor:.1g}"[:3] in found["detail"].iloc[0] or "times the median" in found["detail"].iloc[0]


def test_a_sweep_of_another_shape_is_an_outlier():
    sweeps, _ = measured(2, sweeps=8, bench=QUIET)
    sweeps.current[4] = 1e-9 * sweeps.axis**3
    assert flagged(sweeps, "outlier") == {sweeps.names[4]}


def test_a_few_sweeps_make_no_outlier():
    for seed in range(30):
        sweeps, _ = measured(seed, sweeps=3, bench=SLOW)
        assert not flagged(sweeps, "outlier")


@repeated(10, 25)
def test_false_outliers_stay_below_one_per_cent_in_groups_of_any_size(repeats: int):
    for count in (4, 5, 6, 9, 15):
        false = sum(len(flagged(measured([count, s], sweeps=count, bench=SLOW)[0], "outlier")) for s in range(repeats))
        assert false <= 0.01 * repeats * 2 * count + 1


def test_small_sample_factor_keeps_normal_values():
    """0.27 % of normal values lie beyond 3 standard deviations (any table of the normal distribution)."""
    rng = np.random.default_rng(4)
    for count in (4, 6, 7, 10, 15, 30):
        values = rng.standard_normal((40000, count))
        centred = np.abs(values - np.median(values, axis=1, keepdims=True))
        mad = 1.4826 * np.median(centred, axis=1, keepdims=True)
        assert np.mean(centred > 3 * small_sample_factor(count) * mad) == pytest.approx(0.0027, abs=0.0021)


def test_a_tip_change_between_sweeps_is_flagged_where_it_happened():
    sweeps, _ = measured(3, sweeps=16, bench=Bench(white_A=2e-12, setpoint_scatter=0.05))
    later = np.arange(32) >= 18
    sweeps.current[later] *= 1.6
    assert flagged(sweeps, "tip change", CheckPlan(outlier_cut=50.0)) == set(sweeps.names[18:20])


def test_converter_steps_larger_than_the_noise_are_reported_with_their_size():
    """12 bits of ±10 V on 1e9 V/A: 4.9 pA."""
    sweeps, _ = measured(4, bench=Bench(white_A=1e-12, converter_step_A=20e-9 / 4096))
    rows = judge_iv(sweeps)
    assert (rows["flag"] == "coarse steps").sum() == len(sweeps)
    assert "4.88 pA" in rows.loc[rows["flag"] == "coarse steps", "detail"].iloc[0]


def test_saturation_is_counted_and_placed():
    sweeps, _ = measured(5, bench=Bench(white_A=1e-12, full_scale_A=0.5e-9))
    rows = judge_iv(sweeps)
    assert (rows["flag"] == "saturated").sum() == len(sweeps)
    assert "samples" in rows["detail"].iloc[0]
    assert not flagged(sweeps, "outlier")
    assert not flagged(sweeps, "jump")
    everything = replace(sweeps, table=sweeps.table.assign(full_scale_A=1e-15))
    assert len(flagged(everything, "all saturated")) == len(sweeps)


def test_the_current_at_the_set_point_is_held_against_the_set_point():
    sweeps, _ = measured(6, bench=QUIET)
    assert not flagged(sweeps, "set-point")
    wrong = replace(sweeps, table=sweeps.table.assign(setpoint_current_A=2e-9))
    assert len(flagged(wrong, "set-point")) == len(sweeps)
    assert "2000 pA was set" in judge_iv(wrong)["detail"].iloc[0]


def test_a_current_that_does_not_come_back_is_flagged():
    sweeps, _ = measured(7, bench=QUIET)
    down = sweeps.names.index("iv_002_down")
    sweeps.current[down] *= np.linspace(1.5, 1, sweeps.axis.size)
    assert flagged(sweeps, "no return") == {"iv_002_down"}


def test_too_few_points_are_said():
    sweeps = SweepSet("iv", np.linspace(-1, 1, 8), np.zeros((2, 8)), sweep_table(["a", "b"]))
    assert flagged(sweeps, "too few points") == {"a", "b"}


def test_missing_samples_break_nothing():
    sweeps, _ = measured(8, sweeps=6, bench=QUIET)
    sweeps.current[2, 40:60] = np.nan
    sweeps.current[:, 150] = np.nan
    assert not len(judge_iv(sweeps))
    empty = replace(sweeps, current=np.full(sweeps.current.shape, np.nan))
    assert len(flagged(empty, "too few points")) == len(sweeps)


def test_trend_from_sweep_to_sweep():
    """1 % a sweep planted under 1 % of scatter."""
    rng = np.random.default_rng(2)
    slope, p = level_trend(0.01 * np.arange(30) + 0.01 * rng.standard_normal(30))
    assert slope == pytest.approx(0.01, abs=0.001)
    assert p < 1e-6
    assert np.isnan(level_trend(np.zeros(3))[0])


@pytest.mark.parametrize("count", [2001, 100_003])
def test_a_trend_of_very_many_sweeps_is_found_in_means_of_neighbours(count):
    """Planted under scatter; the slope within 4 standard errors of least squares (closed form), which it comes near."""
    rng = np.random.default_rng(count)
    error = np.sqrt(12 / count**3)
    slope, p = level_trend(10 * error * np.arange(count) + rng.standard_normal(count))
    assert slope == pytest.approx(10 * error, abs=4 * error)
    assert p < 1e-9


def test_very_many_sweeps_without_a_trend_have_one_by_chance_as_often_as_stated(monkeypatch):
    """The test on means of neighbours keeps its level: of 200 series at most 22 below 5 % (binomial, 99.9 %; scipy)."""
    monkeypatch.setattr("sts.spectra.faults.judging._MOST_LEVELS", 100)
    rng = np.random.default_rng(5)
    low = sum(level_trend(values)[1] < 0.05 for values in rng.standard_normal((200, 350)))
    assert low <= binom.ppf(0.999, 200, 0.05)


def test_height_sweeps_are_refused():
    with pytest.raises(ValueError, match="judge_iv judges"):
        judge_iv(SweepSet("iz", [0, 1e-9], np.zeros((1, 2)), sweep_table(["a"])))


def test_a_flag_says_as_a_number_how_many_times_its_limit_it_is():
    """The words and the number must agree: an outlier's distance over the cut, a jump's and a set-point's logarithm."""
    sweeps, _ = measured(8, sweeps=12, bench=QUIET)
    sweeps.current[3, sweeps.axis.size // 2 :] *= 2
    sweeps.current[5] *= 2.5
    wrong = replace(sweeps, table=sweeps.table.assign(setpoint_current_A=2e-9))
    rows = judge_iv(wrong, CheckPlan(jump_factor=1.2, outlier_cut=3.0))
    sizes = {
        "jump": (r"factor of (\S+) at", lambda factor: abs(np.log(factor)) / np.log(1.2)),
        "outlier": (r", (\S+) scaled MAD", lambda distance: distance / 3),
        "set-point": (r"(\S+) pA at the set-point bias", lambda found: np.log(2000 / found) / np.log(1.3)),
    }
    for flag, (words, times) in sizes.items():
        found = rows[rows["flag"] == flag]
        said = found["detail"].str.extract(words)[0].astype(float)
        assert len(said) >= 1
        np.testing.assert_allclose(found["times_limit"], [times(number) for number in said], rtol=0.03)
    assert (rows["times_limit"].dropna() >= 1).all()


def test_a_noisy_sweep_is_called_noisy_and_nothing_else():
    rows = judge_iv(one_is_noisy())
    assert list(rows["flag"]) == ["noisy"]
    assert rows["sweep"].tolist() == ["s2"]
    said = float(rows["detail"][0].split(" times")[0].split()[-1])
    assert said == pytest.approx(13, rel=0.25)
    assert rows["times_limit"][0] == pytest.approx(said / 5, rel=0.01)


def test_a_sweep_of_ten_times_the_current_is_not_noisy_for_it():
    sweeps = one_is_noisy(loud=1.0)
    sweeps.current[2] *= 10
    assert flagged(sweeps, "noisy") == set()
    assert flagged(sweeps, "outlier") == {"s2"}


def test_a_level_lock_in_channel_is_not_at_a_limit():
    """A normal junction: 0.1 % of noise and of bend, of which five samples in a row lie within 0.3 % of the largest."""
    v = np.linspace(-1e-3, 1e-3, 201)
    level = 0.17 * (1 - 0.002 * (v / 1e-3) ** 2 + 1e-4 * np.random.default_rng(2).standard_normal((3, v.size)))
    level[:, 98:103] = 0.1706
    sweeps = SweepSet("iv", v, np.full(level.shape, np.nan), sweep_table(["a", "b", "c"]), lockin=level)
    assert flagged(sweeps, "saturated") == set()


def test_a_step_of_the_converter_is_no_jump():
    """Steps of 13 pA with noise of 1 pA where sweeps differ by 5 %: three of these twelve were called jumping."""
    bench = Bench(white_A=1e-12, converter_step_A=1.3e-11, setpoint_scatter=0.05)
    made = simulate_iv(density="flat", bias=(-1, 1, 201), sweeps=6, temperature_K=4.2, bench=bench, seed=4).sweeps
    assert not (judge_iv(made)["flag"] == "jump").any()
    current = made.current.copy()
    current[2, 150:] *= 1.5
    assert set(judge_iv(replace(made, current=current)).query("flag == 'jump'")["sweep"]) == {made.names[2]}
