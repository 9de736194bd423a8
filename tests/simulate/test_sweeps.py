"""Simulated sweeps: truth, seeds, lock-in channel, planar and varying gaps."""

from __future__ import annotations

import json

import numpy as np
import pytest
from numpy.testing import assert_allclose

from sts.quantities import BARRIER_PER_DECAY_SQUARED, decay_from_barrier
from sts.simulate import (
    Bench,
    BiasRamp,
    HeightRamp,
    Junction,
    lockin_conductance,
    make_density,
    simulate_iv,
    simulate_iz,
    tunnel_current,
)


def test_without_faults_the_barrier_comes_back_from_the_logarithm():
    made = simulate_iz(barrier_eV=[0.1, 2.0, 8.0], sweeps=3, height=(0, 0.4e-9, 30))
    slope = np.polyfit(made.sweeps.axis * 1e9, np.log(made.sweeps.current).T, 1)[0] * 1e9
    assert_allclose(BARRIER_PER_DECAY_SQUARED * slope**2, [0.1, 2.0, 8.0], rtol=1e-8)
    assert_allclose(made.sweeps.current, made.clean)


def test_a_planar_gap_does_not_give_its_barrier_back():
    """4 eV, 0.7 nm: the apparent barrier height is 4.616 eV (id phiapp0_4eV_7A, exact at zero bias)."""
    made = simulate_iz(
        barrier_eV=4.0, height=np.array([0, 1e-13, 2e-13]), ramp=HeightRamp(planar_gap_m=0.7e-9, bias_V=1e-3)
    )
    slope = np.gradient(np.log(made.sweeps.current[0]), made.sweeps.axis)[0]
    assert_allclose(BARRIER_PER_DECAY_SQUARED * slope**2, 4.61608933494, rtol=2e-4)
    assert made.sweeps.current[0, 0] == pytest.approx(1e-9)


def test_the_current_at_the_setpoint_is_the_setpoint():
    made = simulate_iv(
        density="gapped", temperature_K=77.0, setpoint_current_A=3e-10, ramp=BiasRamp(setpoint_bias_V=0.8)
    )
    assert_allclose(np.interp(0.8, made.sweeps.axis, made.clean), 3e-10, rtol=1e-12)


def test_a_gap_that_widens_by_an_angstrom_per_volt_dims_the_current():
    """exp(-2κa|V|): a factor 55 at 2 V for 2κ = 2 per Å and a = 1 Å/V (closed form)."""
    made = simulate_iv(density="flat", bias=(-2.0, 2.0, 41), ramp=BiasRamp(decay_per_m=2e10, gap_slope_m_per_V=1e-10))
    assert_allclose(made.clean[-1] / made.sweeps.current[0, -1], 54.598, rtol=1e-4)
    assert_allclose(made.clean[1:10] / made.sweeps.current[0, 1:10], np.exp(2 * -made.sweeps.axis[1:10]))


def test_the_lockin_channel_has_its_gain_offset_and_noise():
    bench = Bench(lockin_gain=1.41, lockin_offset_S=2e-11, lockin_noise_S=1e-12)
    made = simulate_iv(
        density="two_peaks",
        temperature_K=77.0,
        bench=bench,
        sweeps=200,
        bias=(-0.8, 0.8, 41),
        ramp=BiasRamp(modulation_rms_V=5e-3),
    )
    density, v = make_density("two_peaks"), made.sweeps.axis
    scale = 1e-9 / tunnel_current(0.8, density, temperature_K=77.0)  # the set-point
    ideal = scale * lockin_conductance(v, density, temperature_K=77.0, modulation_rms_V=5e-3)
    assert made.sweeps.lockin_unit == "S"
    assert_allclose(made.sweeps.lockin.mean(axis=0), 1.41 * ideal + 2e-11, atol=5e-13)
    assert_allclose((made.sweeps.lockin - made.sweeps.lockin.mean(axis=0)).std(), 1e-12, rtol=0.03)
    assert (made.sweeps.table["modulation_V"] == 5e-3).all()


def test_a_junction_brings_its_tip_and_its_barrier():
    """Two equal electrodes: I(V) is odd, though neither density is; the barrier between them makes the current grow."""
    sample = make_density("two_peaks")
    plain, odd, steep = (
        simulate_iv(density=density, bias=(-0.8, 0.8, 21), temperature_K=77.0).clean
        for density in (sample, Junction(sample, sample), Junction(sample, sample, barrier_eV=3.0, gap_m=6e-10))
    )
    assert np.abs(plain + plain[::-1]).max() > 1e-11
    assert_allclose(odd, -odd[::-1], atol=1e-16)
    assert abs(steep[10 + 2] / odd[10 + 2] - 1) > 1e-3  # the set-point holds for both; the way there differs


def test_a_seed_gives_the_same_sweeps_and_another_one_does_not():
    one, two, other = (
        simulate_iz(barrier_eV=4.4, bench=Bench(white_A=1e-12), seed=s).sweeps.current for s in (1, 1, 2)
    )
    np.testing.assert_array_equal(one, two)
    assert (one != other).any()


def test_the_truth_can_be_written_as_json_and_names_the_bench():
    made = simulate_iz(barrier_eV=4.4, bench=Bench(white_A=1e-12), seed=7)
    truth = json.loads(json.dumps(made.truth, allow_nan=False))
    assert truth["bench"]["white_A"] == 1e-12
    assert truth["seed"] == 7
    assert_allclose(truth["decay_per_nm"], decay_from_barrier(4.4) * 1e-9)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: simulate_iz(barrier_eV=4.4, ramp=HeightRamp(directions=("up",))), "those of iz sweeps are"),
        (lambda: simulate_iv(ramp=BiasRamp(directions=())), "those of iv sweeps are"),
        (lambda: simulate_iz(barrier_eV=4.4, ramp=HeightRamp(jumps={"heron": 0.5})), "No sweep is called 'heron'"),
        (
            lambda: simulate_iv(density="gapped", temperature_K=4.0, ramp=BiasRamp(setpoint_bias_V=0.1)),
            "No current flows",
        ),
        (
            lambda: simulate_iz(barrier_eV=4.4, height=np.array([0, 1e-10, 3e-10]), bench=Bench(lag_s=1e-3)),
            "equal steps only",
        ),
    ],
)
def test_what_makes_no_sense_is_refused(call, words):
    with pytest.raises(ValueError, match=words):
        call()
