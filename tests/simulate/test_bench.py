"""The faults of the bench against their textbook sizes."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import signal, stats

from sts.quantities import ELEMENTARY_CHARGE, decay_from_barrier
from sts.simulate import Bench, BiasRamp, HeightRamp, apply_bench, coloured_noise, simulate_iv, simulate_iz

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


@pytest.mark.parametrize(
    ("fault", "words"),
    [({"white_A": -1e-12}, "0 or more"), ({"full_scale_A": 0.0}, "above 0"), ({"jump_share": 2.0}, "at most 1"),
     ({"lag_s": float("nan")}, "0 or more"), ({"current_offset_A": float("nan")}, "a number")],
)  # fmt: skip
def test_a_bench_that_makes_no_sense_is_refused(fault, words):
    with pytest.raises(ValueError, match=words):
        Bench(**fault)
