"""The faults of the bench against their textbook sizes."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import signal, stats

from sts.quantities import ELEMENTARY_CHARGE, decay_from_barrier
from sts.simulate import Bench, BiasRamp, HeightRamp, apply_bench, coloured_noise, draw_faults, simulate_iv, simulate_iz
from sts.simulate.bench import piezo_error

V = np.linspace(-0.5, 0.5, 201)
OHMIC = {
    "density": "flat",
    "bias": V,
    "setpoint_current_A": 1e-9,
    "ramp": BiasRamp(duration_s=0.1, setpoint_bias_V=0.5),
}


def test_shot_noise_has_the_variance_of_schottky():
    """2 e I B (W. Schottky, Ann. Phys. 57, 541 (1918)): 0.566 pA rms at 1 nA in 1 kHz (id shot_1e-9: 17.9 fA/√Hz)."""
    rows = np.full((400, 500), 1e-9)
    noisy, _ = apply_bench(rows, Bench(shot_bandwidth_Hz=1000.0), np.random.default_rng(1), time_step_s=1e-3)
    assert_allclose((noisy - 1e-9).var(), 2 * ELEMENTARY_CHARGE * 1e-9 * 1000, rtol=0.02)
    assert_allclose((noisy - 1e-9).std(), 1.79007074385e-14 * np.sqrt(1000), rtol=0.01)


def test_white_noise_is_normal_and_has_its_size():
    rows = np.zeros((20, 500))
    noisy, _ = apply_bench(rows, Bench(white_A=2e-12), np.random.default_rng(4), time_step_s=1e-3)
    assert stats.kstest(noisy.ravel() / 2e-12, "norm").pvalue > 0.001


@pytest.mark.parametrize("slope", [0.0, 1.0, 2.0])
def test_coloured_noise_has_its_slope_and_unit_variance(slope):
    """Periodogram by scipy, an outside routine; slope fitted over two decades."""
    noise = coloured_noise(np.random.default_rng(2), (300, 1024), slope)
    f, power = signal.periodogram(noise, window="hann", axis=1)
    keep = (f > 0.004) & (f < 0.3)
    fitted = np.polyfit(np.log(f[keep]), np.log(power[:, keep].mean(axis=0)), 1)[0]
    assert abs(-fitted - slope) < 0.12
    assert 0.8 < (noise**2).mean() < 1.2


def test_displacement_current_has_its_textbook_size():
    """C dV/dt: 1 pF at 10 V/s is 10 pA, with the sign of the ramp."""
    made = simulate_iv(**OHMIC, bench=Bench(capacitance_F=1e-12))
    assert_allclose((made.sweeps.current[0] - made.sweeps.current[1]) / 2, 1e-11, rtol=1e-9)
    assert_allclose(made.sweeps.current.mean(axis=0), made.clean, atol=1e-22)


def test_lag_delays_a_ramp_by_the_time_constant():
    """A single pole: ΔV = τ dV/dt; 0.5 ms at 10 V/s is 5 mV."""
    made = simulate_iv(**OHMIC, bench=Bench(lag_s=5e-4))
    behind = (made.sweeps.current[1] - made.sweeps.current[0]) / 2 / 2e-9  # [V]
    assert_allclose(behind, 5e-3, rtol=1e-9)


def test_lag_behind_an_exponential_is_the_closed_form():
    """Input e^-at from t = 0, settled before: y = e^-at/(1 - aτ) - (aτ/(1 - aτ)) e^-t/τ. Steps of the ramp are fine."""
    t = np.linspace(0, 1, 20_001)
    a, tau = 20.0, 0.0165  # aτ = 0.33
    measured, _ = apply_bench(np.exp(-a * t)[None], Bench(lag_s=tau), np.random.default_rng(), time_step_s=t[1])
    expected = (np.exp(-a * t) - a * tau * np.exp(-t / tau)) / (1 - a * tau)
    assert_allclose(measured[0], expected, rtol=1e-6, atol=1e-12)


def test_drift_makes_the_slopes_of_both_directions_differ():
    """0.06 nm/s against 1 nm/s: ± 6 % in the slope (closed form), and nothing in the mean."""
    made = simulate_iz(
        barrier_eV=4.0,
        height=(0, 0.4e-9, 50),
        bench=Bench(drift_m_per_s=6e-11),
        ramp=HeightRamp(duration_s=0.4, directions=("retract", "approach")),
    )
    slopes = -np.gradient(np.log(made.sweeps.current), made.sweeps.axis, axis=1).mean(axis=1)
    assert_allclose(slopes / decay_from_barrier(4.0), [1.06, 0.94], rtol=1e-9)


def test_offsets_of_bias_and_current_move_the_curve():
    """Every curve passes (V0, I0): I = G (V - V0) + I0."""
    made = simulate_iv(**OHMIC, bench=Bench(bias_offset_V=4e-3, current_offset_A=2e-12))
    assert_allclose(made.sweeps.current, np.broadcast_to(2e-9 * (V - 4e-3) + 2e-12, (2, V.size)), atol=1e-22)


def test_limits_and_converter_steps():
    bench = Bench(full_scale_A=1e-8, converter_step_A=3e-12)
    made = simulate_iz(barrier_eV=4.4, current_A=3e-8, bench=bench)
    assert made.sweeps.current.max() == pytest.approx(1e-8, rel=3e-4)
    assert_allclose(np.round(made.sweeps.current / 3e-12) * 3e-12, made.sweeps.current)
    assert made.truth["saturated"] == ["iz_001_retract"]
    assert simulate_iz(barrier_eV=4.4, current_A=9e-9, bench=bench).truth["saturated"] == []


def test_the_setpoint_scatter_is_that_of_a_repeat():
    made = simulate_iv(density="flat", sweeps=400, bench=Bench(setpoint_scatter=0.1), seed=1)
    level = np.log(made.sweeps.current[:, -1]).reshape(-1, 2)
    assert_allclose(level[:, 0], level[:, 1])
    assert_allclose(level[:, 0].std(), 0.1, rtol=0.1)


def test_scatter_of_the_gap_lifts_the_mean_above_the_median():
    """Gap scatter of 50 pm at 4 eV: mean/median = exp((2κδ)²/2) = 1.69 (log-normal law, closed form)."""
    scatter = float(decay_from_barrier(4.0)) * 50e-12
    made = simulate_iv(
        density="flat",
        sweeps=20_000,
        bench=Bench(setpoint_scatter=scatter),
        bias=(-1.0, 1.0, 3),
        ramp=BiasRamp(directions=("up",)),
    )
    last = made.sweeps.current[:, -1]
    assert_allclose(last.mean() / np.median(last), 1.69, rtol=0.04)


def test_a_jump_multiplies_the_current_from_its_place_in_time_on():
    clean = simulate_iz(barrier_eV=4.4, ramp=HeightRamp(directions=("retract", "approach"))).sweeps
    jumps = {"iz_001_retract": 0.25, "iz_001_approach": 0.25}
    made = simulate_iz(
        barrier_eV=4.4, bench=Bench(jump_factor=1.5), ramp=HeightRamp(directions=("retract", "approach"), jumps=jumps)
    )
    ratio = made.sweeps.current / clean.current
    assert made.truth["jumps"] == ["iz_001_retract", "iz_001_approach"]
    assert_allclose(ratio[:, [0, -1]], [[1, 1.5], [1.5, 1]])
    assert np.flatnonzero(np.abs(np.diff(ratio[0])) > 0.1).tolist() == [36]
    assert np.flatnonzero(np.abs(np.diff(ratio[1])) > 0.1).tolist() == [112]


def test_jumps_by_chance_are_named_in_the_truth():
    made = simulate_iz(barrier_eV=4.4, sweeps=200, bench=Bench(jump_factor=2.0, jump_share=0.2), seed=3)
    steps = np.abs(np.diff(np.log(made.sweeps.current), n=2, axis=1)).max(axis=1) > 0.3
    assert [n for n, s in zip(made.sweeps.names, steps, strict=True) if s] == made.truth["jumps"]
    assert 20 < len(made.truth["jumps"]) < 60


def test_settling_samples_stay_at_the_setpoint_and_the_rest_is_untouched():
    """0 to 5 samples, all as likely: their number has the mean 2.5 and the variance 35/12 (closed form)."""
    clean = simulate_iz(barrier_eV=0.5, sweeps=3000).sweeps.current
    made = simulate_iz(barrier_eV=0.5, sweeps=3000, bench=Bench(settling_samples=5, settling_factor=15.0), seed=2)
    ratio = made.sweeps.current / clean
    still = ratio > 1.0001
    counts = still.sum(axis=1)
    assert_allclose(made.sweeps.current[still], 15.0 * clean[0, 0])
    assert_allclose(ratio[~still], 1.0)
    assert (still == (np.arange(clean.shape[1]) < counts[:, None])).all()  # at the start only
    assert set(counts) == set(range(6))
    assert_allclose([counts.mean(), counts.var()], [2.5, 35 / 12], rtol=0.05)
    assert made.truth["settling"] == {n: c for n, c in zip(made.sweeps.names, counts, strict=True) if c}


def test_settling_is_at_the_start_in_time_and_clipped_by_the_amplifier():
    """An approach starts at the far end; 1 nA x 20 is above a full scale of 8.5 nA."""
    ramp = HeightRamp(directions=("retract", "approach"))
    bench = Bench(settling_samples=4, settling_factor=20.0, full_scale_A=8.5e-9)
    made = simulate_iz(barrier_eV=0.5, sweeps=40, ramp=ramp, bench=bench, seed=1)
    slope = np.diff(np.log(made.sweeps.current), axis=1)
    stepped = np.abs(slope - np.median(slope)) > 0.1
    for name, steps in zip(made.sweeps.names, stepped, strict=True):
        count = made.truth["settling"].get(name, 0)
        place = count - 1 if name.endswith("retract") else slope.shape[1] - count
        assert np.flatnonzero(steps).tolist() == ([place] if count else [])
    settled = {name for name in made.truth["settling"] if name.endswith("retract")}
    assert set(made.truth["saturated"]) == settled
    assert made.sweeps.current.max() == 8.5e-9


def test_a_hump_is_a_gaussian_in_the_logarithm_of_the_current():
    """Its height and area: ± size, and size x width x sqrt(2 pi) of the range where it does not leave it (closed form)."""
    clean = simulate_iz(barrier_eV=0.5, sweeps=2000, height=(0, 1e-9, 500))
    bench = Bench(hump_share=0.3, hump_size=0.25, hump_width=0.02)
    made = simulate_iz(barrier_eV=0.5, sweeps=2000, height=(0, 1e-9, 500), bench=bench, seed=3)
    hump = np.log(made.sweeps.current / clean.sweeps.current)
    has = np.abs(hump).max(axis=1) > 0.1
    assert [n for n, h in zip(made.sweeps.names, has, strict=True) if h] == list(made.truth["humps"])
    assert abs(has.mean() - 0.3) < 4 * np.sqrt(0.3 * 0.7 / 2000)
    assert_allclose(hump[~has], 0, atol=1e-12)
    area = hump[has].sum(axis=1) / 499
    assert_allclose(np.abs(area), 0.25 * 0.02 * np.sqrt(2 * np.pi), rtol=1e-4)
    middle = (hump[has] @ np.linspace(0, 1, 500)) / 499 / area
    told = list(made.truth["humps"].values())
    assert_allclose(middle, [t["at"] for t in told], atol=1e-4)
    assert_allclose(np.sign(area) * 0.25, [t["ln"] for t in told])
    assert 0.4 < (area > 0).mean() < 0.6
    assert 0.1 <= middle.min() < 0.12
    assert 0.88 < middle.max() <= 0.9


def test_ripple_is_a_sinusoid_of_its_period_with_any_phase():
    """50 Hz at 1 ms a sample: scipy's periodogram has all power, a²/2, at 50 Hz; phases are uniform."""
    bench = Bench(ripple_A=8e-12, ripple_period_s=0.02)
    rows, _ = apply_bench(np.zeros((500, 200)), bench, np.random.default_rng(5), time_step_s=1e-3)
    f, power = signal.periodogram(rows, fs=1000.0, axis=1, scaling="spectrum", detrend=False)
    assert_allclose(power[:, np.isclose(f, 50)], 32e-24, rtol=1e-9)
    assert_allclose(power.sum(axis=1), 32e-24, rtol=1e-9)
    phase = np.angle(np.fft.rfft(rows, axis=1)[:, 10])
    assert stats.kstest((phase + np.pi) / (2 * np.pi), "uniform").pvalue > 0.001


def test_a_filter_keeps_the_size_of_the_noise_and_makes_neighbours_alike():
    """A single pole: autocorrelation exp(-t/τ), and as large at the first sample as at any other (closed form)."""
    bench = Bench(white_A=2e-12, filter_s=5e-3)
    noise, _ = apply_bench(np.zeros((4000, 50)), bench, np.random.default_rng(6), time_step_s=1e-3)
    assert_allclose(noise.std(axis=0), 2e-12, rtol=0.06)
    for steps in (1, 5, 20):
        alike = (noise[:, steps:] * noise[:, :-steps]).mean() / 4e-24
        assert_allclose(alike, np.exp(-steps / 5), atol=0.02)


def test_a_transient_relaxes_from_its_size_at_the_start_in_time():
    """a exp(-t/τ) in both directions, whatever the bias a sweep starts from (closed form)."""
    made = simulate_iv(**OHMIC, bench=Bench(transient_A=-3e-11, transient_s=0.02))
    up, down = made.sweeps.current - made.clean
    t = np.linspace(0, 0.1, V.size)
    assert_allclose(up, -3e-11 * np.exp(-t / 0.02), atol=1e-21)
    assert_allclose(down[::-1], up, atol=1e-21)


def test_the_offset_scatters_from_sweep_to_sweep_and_not_within_one():
    bench = Bench(current_offset_A=5e-12, offset_scatter_A=2e-12)
    made = simulate_iz(barrier_eV=0.5, sweeps=4000, bench=bench, seed=6)
    offset = made.sweeps.current - simulate_iz(barrier_eV=0.5, sweeps=4000).sweeps.current
    assert_allclose(np.ptp(offset, axis=1), 0, atol=1e-21)
    assert_allclose([offset.mean(), offset[:, 0].std()], [5e-12, 2e-12], rtol=0.05)
    assert_allclose(offset[:, 0] * 1e12, made.truth["offsets_pA"], rtol=1e-6)


def test_faults_that_are_off_draw_nothing():
    """So that benches without them give the same sweeps as before they could be asked for."""
    generator = np.random.default_rng(7)
    drawn = draw_faults(generator, Bench(current_offset_A=3e-12, white_A=1e-12), 4, 50)
    assert generator.random() == np.random.default_rng(7).random()
    assert drawn.jump_at.tolist() == [-1] * 4
    assert drawn.offset_A.tolist() == [3e-12] * 4
    assert not drawn.settling.any()
    assert not drawn.hump_ln.any()


@pytest.mark.parametrize(
    ("fault", "words"),
    [({"hump_share": 1.5}, "at most 1"), ({"settling_samples": 1.5}, "a whole number"),
     ({"settling_factor": 0.0}, "above 0"), ({"ripple_period_s": 0.0}, "above 0"), ({"transient_s": 0.0}, "above 0"),
     ({"ripple_A": -1e-12}, "0 or more"), ({"transient_A": float("nan")}, "a number"),
     ({"white_A": -1e-12}, "0 or more"), ({"full_scale_A": 0.0}, "above 0"), ({"jump_share": 2.0}, "at most 1"),
     ({"lag_s": float("nan")}, "0 or more"), ({"current_offset_A": float("nan")}, "a number")],
)  # fmt: skip
def test_a_bench_that_makes_no_sense_is_refused(fault, words):
    with pytest.raises(ValueError, match=words):
        Bench(**fault)


def test_the_piezo_lags_behind_in_a_loop_and_creeps_on():
    """The branches of a loop are its width apart in the middle, and meet at its ends; creep has all happened at the end."""
    share = np.linspace(0, 1, 101)
    loop = piezo_error(share, Bench(hysteresis=0.05))
    assert_allclose(loop[50] * 2, -0.05)  # the way back is its mirror image
    assert_allclose(loop[[0, -1]], 0, atol=1e-15)
    creep = piezo_error(share, Bench(creep=0.03))
    assert_allclose(creep[[0, -1]], [0, 0.03], atol=1e-15)
    assert creep[10] > 0.5 * creep[-1]  # most of it at first


def test_an_offset_grows_in_time_whichever_way_the_ramp_goes():
    bench = Bench(offset_drift_A=2e-11)
    both = HeightRamp(directions=("retract", "approach"))
    clean, made = (simulate_iz(barrier_eV=4.4, bench=b, ramp=both).sweeps.current for b in (Bench(), bench))
    assert_allclose((made - clean)[:, -1], [2e-11, 0], atol=1e-16)
    assert_allclose((made - clean)[:, 0], [0, 2e-11], atol=1e-16)


def test_a_creeping_piezo_opens_the_gap_further_on_retract_and_closes_it_further_on_approach():
    both = HeightRamp(directions=("retract", "approach"))
    clean, made = (simulate_iz(barrier_eV=4.4, bench=b, ramp=both).sweeps.current for b in (Bench(), Bench(creep=0.03)))
    moved = np.log(made / clean)
    assert moved[0, -1] < 0 < moved[1, 0]
    assert_allclose([moved[0, 0], moved[1, -1]], 0, atol=1e-12)
