"""The virtual junction against closed forms and tables, so that what tests the tool can be trusted itself."""

from __future__ import annotations

import json

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import signal

from sts.quantities import BOLTZMANN_EV, ELEMENTARY_CHARGE, decay_from_barrier
from sts.simulate import (
    DENSITIES,
    PRESETS,
    Bench,
    Density,
    apply_bench,
    coloured_noise,
    flat,
    gapped,
    make_density,
    planar_current_density,
    simulate_iv,
    simulate_iz,
    simulate_plan,
    superconductor,
    tunnel_conductance,
    tunnel_current,
)

V = np.linspace(-0.5, 0.5, 11)


@pytest.mark.parametrize("temperature", [0.3, 4.2, 77.0, 295.0])
def test_flat_densities_make_an_ohmic_junction(temperature):
    """I = G V exactly, at any temperature (closed form)."""
    assert_allclose(tunnel_current(V, flat(), temperature_K=temperature), V, atol=1e-13)


# superconductivity.csv, formula S5, computed with mpmath: Δ = 1.35 meV at 4.2 K, bias [mV] -> dI/dV over normal.
@pytest.mark.parametrize(
    ("bias_mV", "conductance"),
    [(0.0, 0.123003835843), (0.5, 0.239307137698), (1.0, 0.656898258527), (1.35, 1.05622048121), (2.0, 1.33278655078)],
)
def test_a_superconductor_gives_the_tabulated_conductance(bias_mV, conductance):
    found = tunnel_conductance(np.array([bias_mV * 1e-3]), superconductor(gap_eV=1.35e-3), temperature_K=4.2)
    assert_allclose(found, conductance, rtol=1e-7)


def test_a_step_in_the_density_is_as_wide_as_the_temperature():
    """10 to 90 % of a Fermi edge is 2 ln 9 kT = 4.394 kT (resolution.csv, th_edge, exact)."""
    step = Density("step", lambda e: (e > 0.2).astype(float), (0.2,))
    v = np.linspace(0.1, 0.3, 801)
    g = tunnel_conductance(v, step, temperature_K=77.0)
    width = np.interp(0.9, g, v) - np.interp(0.1, g, v)
    assert_allclose(width / (BOLTZMANN_EV * 77), 4.39444915467, rtol=1e-3)


def test_a_planar_junction_has_the_exact_low_voltage_conductance():
    """G0 = (J0/2s²)(x + 1) e^-x, x = s√(8mφ)/ħ (shared formula J4), J0 = e²/2πh."""
    from scipy import constants

    s, barrier, bias = 0.7e-9, 4.0, 1e-4
    x = s * decay_from_barrier(barrier)
    expected = constants.e**2 / (2 * np.pi * constants.h) / (2 * s**2) * (x + 1) * np.exp(-x)
    assert_allclose(planar_current_density(bias, s, barrier) / bias, expected, rtol=1e-6)


def test_shot_noise_has_the_variance_of_schottky():
    """2 e I B (W. Schottky 1918; textbook)."""
    rows = np.full((400, 500), 1e-9)
    noisy, _ = apply_bench(rows, Bench(shot_bandwidth_Hz=1000.0), np.random.default_rng(1), time_step_s=1e-3)
    assert_allclose((noisy - 1e-9).var(), 2 * ELEMENTARY_CHARGE * 1e-9 * 1000, rtol=0.02)


@pytest.mark.parametrize("slope", [0.0, 1.0, 2.0])
def test_coloured_noise_has_its_slope_and_unit_variance(slope):
    """Periodogram by scipy, an outside routine; slope fitted over two decades."""
    noise = coloured_noise(np.random.default_rng(2), (300, 1024), slope)
    f, power = signal.periodogram(noise, window="hann", axis=1)
    keep = (f > 0.004) & (f < 0.3)
    fitted = np.polyfit(np.log(f[keep]), np.log(power[:, keep].mean(axis=0)), 1)[0]
    assert abs(-fitted - slope) < 0.12
    assert 0.8 < (noise**2).mean() < 1.2


def test_displacement_current_and_lag_have_their_textbook_size():
    """C dV/dt: 1 pF at 10 V/s is 10 pA; a single pole delays a ramp by its time constant."""
    v = np.linspace(-0.5, 0.5, 201)
    made = simulate_iv(density="flat", bias=v, duration_s=0.1, setpoint_current_A=1e-9, setpoint_bias_V=0.5,
                       bench=Bench(capacitance_F=1e-12))  # fmt: skip
    assert_allclose((made.sweeps.current[0] - made.sweeps.current[1]) / 2, 1e-11, rtol=1e-9)
    made = simulate_iv(density="flat", bias=v, duration_s=0.1, setpoint_current_A=1e-9, setpoint_bias_V=0.5,
                       bench=Bench(lag_s=5e-4))  # fmt: skip
    behind = (made.sweeps.current[1] - made.sweeps.current[0]) / 2 / 2e-9  # [V]
    assert_allclose(behind[60:140], 5e-4 * 10, rtol=1e-6)


def test_drift_makes_the_slopes_of_both_directions_differ():
    made = simulate_iz(barrier_eV=4.0, height=(0, 0.4e-9, 50), duration_s=0.4, directions=("retract", "approach"),
                       bench=Bench(drift_m_per_s=6e-11))  # fmt: skip
    slopes = -np.gradient(np.log(made.sweeps.current), made.sweeps.axis, axis=1).mean(axis=1)
    assert_allclose(slopes / decay_from_barrier(4.0), [1.06, 0.94], rtol=1e-9)


def test_limits_and_converter_steps():
    made = simulate_iz(barrier_eV=4.4, current_A=3e-8, bench=Bench(full_scale_A=1e-8, converter_step_A=3e-12))
    assert made.sweeps.current.max() == pytest.approx(1e-8, rel=3e-4)
    assert_allclose(np.round(made.sweeps.current / 3e-12) * 3e-12, made.sweeps.current)


def test_planted_jumps_are_named_in_the_truth():
    made = simulate_iz(barrier_eV=4.4, sweeps=200, bench=Bench(jump_factor=2.0, jump_share=0.2), seed=3)
    steps = np.abs(np.diff(np.log(made.sweeps.current), n=2, axis=1)).max(axis=1) > 0.3
    assert [n for n, s in zip(made.sweeps.names, steps, strict=True) if s] == made.truth["jumps"]
    assert 20 < len(made.truth["jumps"]) < 60


def test_a_seed_gives_the_same_sweeps_and_another_one_does_not():
    one, two, other = (
        simulate_iz(barrier_eV=4.4, bench=Bench(white_A=1e-12), seed=s).sweeps.current for s in (1, 1, 2)
    )
    np.testing.assert_array_equal(one, two)
    assert (one != other).any()


def test_the_setpoint_scatter_is_that_of_a_repeat():
    made = simulate_iv(density="flat", sweeps=400, bench=Bench(setpoint_scatter=0.1), seed=1)
    level = np.log(made.sweeps.current[:, -1]).reshape(-1, 2)
    assert_allclose(level[:, 0], level[:, 1])
    assert_allclose(level[:, 0].std(), 0.1, rtol=0.1)


@pytest.mark.parametrize("name", DENSITIES)
def test_every_density_is_positive_and_makes_a_growing_current(name):
    made = simulate_iv(density=name, bias=(-1.0, 1.0, 41), temperature_K=77.0)
    assert (np.diff(made.clean) >= 0).all()
    assert (made.conductance > -1e-20).all()


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: make_density("nope"), "Known: flat"),
        (lambda: make_density("gapped", width=1.0), "cannot be made"),
        (lambda: gapped(valence_eV=0.5, conduction_eV=-0.5), "must lie below"),
        (lambda: tunnel_current(V, flat(), temperature_K=0.0), "above 0"),
        (lambda: tunnel_current(np.array([9.0]), flat(), temperature_K=77, gap_m=7e-10), "above the barrier"),
        (lambda: planar_current_density(9.0, 7e-10, 4.0), "twice the barrier"),
    ],
)
def test_what_cannot_be_simulated_is_refused(call, words):
    with pytest.raises(ValueError, match=words):
        call()


@pytest.mark.parametrize("name", PRESETS)
def test_every_ready_bench_writes_files_and_its_truth(name, tmp_path):
    written = simulate_plan(name, tmp_path / name)
    truth = json.loads((tmp_path / name / "truth.json").read_text(encoding="utf-8"))
    assert "not measured" in truth["note"]
    assert len(written) == truth["plan"]["sweeps"] + 1
    with pytest.raises(ValueError, match="--force"):
        simulate_plan(name, tmp_path / name)


def test_a_wrong_plan_names_what_is_wrong(tmp_path):
    plan = tmp_path / "plan.toml"
    plan.write_text('kind = "iz"\n[bench]\nwhite = 1e-12\n')
    with pytest.raises(ValueError, match="Known faults: white_A"):
        simulate_plan(plan, tmp_path / "out")
    plan.write_text('kind = "iz"\nsweep = 3\n')
    with pytest.raises(ValueError, match=r"plan\.toml: sweep"):
        simulate_plan(plan, tmp_path / "out")
