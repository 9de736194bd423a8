"""Ripple of constant period in time: found, told apart from everything else, told by the average."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from spectra.bench import ideal

from sts.plan import Plan
from sts.simulate import Bench, apply_bench
from sts.spectra import average_spectrum, judge_iv
from sts.spectra.faults.ripple import find_ripple
from sts.sweeps import SweepSet

POINTS = 256


def rippled(
    seed: int, *, bench: Bench, density: str = "v_shaped", period: float = 12.8, amplitude_A: float = 0.0
) -> SweepSet:
    """Ten invented sweeps up and down, the phase of their ripple by chance."""
    made = ideal(density, 5, bias=(-1.0, 1.0, POINTS)).sweeps
    generator = np.random.default_rng(seed)
    current, _ = apply_bench(made.current, bench, generator, time_step_s=2e-3)
    phase = generator.uniform(0, 2 * np.pi, (len(made), 1))
    current = current + amplitude_A * np.sin(2 * np.pi * np.arange(POINTS) / period + phase)
    return replace(made, current=current, table=made.table.assign(duration_s=0.255))


@pytest.mark.parametrize("period", [4.2, 12.8, 30.0])
def test_ripple_of_three_times_the_noise_is_found_with_its_period_and_amplitude(period):
    found = find_ripple(rippled(1, bench=Bench(white_A=2e-12), period=period, amplitude_A=6e-12))
    assert found.found.mean() >= 0.9
    assert np.nanmedian(found.period) == pytest.approx(period, rel=0.02)
    assert np.nanmedian(found.amplitude) == pytest.approx(6e-12, rel=0.1)


@pytest.mark.parametrize("density", ["flat", "v_shaped", "gapped", "two_peaks"])
@pytest.mark.parametrize(
    "bench",
    [
        Bench(white_A=2e-12),
        Bench(white_A=5e-13, gap_noise=0.03, gap_noise_slope=1.0),
        Bench(white_A=1e-12, converter_step_A=9e-12),
        Bench(white_A=1e-12, jump_factor=1.5, jump_share=0.5),
    ],
    ids=["white", "1/f", "steps", "jumps"],
)
def test_nothing_else_is_called_ripple(density, bench):
    assert not find_ripple(rippled(2, bench=bench, density=density)).found.any()


def test_large_ripple_is_flagged_and_never_called_a_jump():
    sweeps = rippled(3, bench=Bench(white_A=1e-12), amplitude_A=6e-11)
    flags = judge_iv(sweeps)
    assert set(flags["flag"]) == {"ripple"}
    assert len(flags) == len(sweeps)
    assert "12.8 ms (78.1 Hz)" in flags["detail"].iloc[0]
    single = judge_iv(sweeps.select([0]))
    assert set(single["flag"]) == {"ripple"}


def test_without_a_duration_the_period_is_told_in_samples_and_bias():
    sweeps = rippled(3, bench=Bench(white_A=1e-12), amplitude_A=6e-11)
    detail = judge_iv(sweeps.with_table(sweeps.table.assign(duration_s=np.nan)))["detail"].iloc[0]
    assert "12.8 samples, 100 mV" in detail
    assert "Hz" not in detail


def test_a_jump_is_found_beneath_the_ripple():
    sweeps = rippled(4, bench=Bench(white_A=1e-12), amplitude_A=2e-11)
    current = sweeps.current.copy()
    current[3, 200:] *= 1.6
    flags = judge_iv(replace(sweeps, current=current))
    assert set(flags.loc[flags["flag"] == "jump", "sweep"]) == {sweeps.names[3]}


def test_a_spectrum_that_oscillates_in_bias_is_no_ripple():
    """Standing waves: at the same bias in every sweep, up and down."""
    made = ideal("v_shaped", 5, bias=(-1.0, 1.0, POINTS)).sweeps
    didv = (0.1 + made.axis**2) * (1 + 0.4 * np.cos(2 * np.pi * made.axis / 0.1))
    total = np.cumsum(didv)
    curve = 1e-9 * (total - np.interp(0.0, made.axis, total)) / np.abs(total).max()
    noise = 1e-12 * np.random.default_rng(8).standard_normal((len(made), POINTS))
    sweeps = replace(made, current=curve + noise)
    assert not find_ripple(sweeps).found.any()
    assert not find_ripple(sweeps.select([0])).found.any()


def test_a_line_in_step_in_every_sweep_may_be_spectrum_and_is_not_called_ripple():
    sweeps = rippled(5, bench=Bench(white_A=1e-12), amplitude_A=6e-11)
    wave = 6e-11 * np.sin(2 * np.pi * np.arange(POINTS) / 12.8)
    still = rippled(5, bench=Bench(white_A=1e-12)).current + wave
    assert find_ripple(sweeps).found.all()
    assert not find_ripple(replace(sweeps, current=still)).found.any()


def test_the_spectrum_says_that_nothing_is_taken_off_and_its_band_holds_the_ripple():
    """The band must hold the curve without ripple at 95 % of the points, over many groups."""
    plan = Plan.model_validate({"spectra": {"smoothing_width_V": 0.05}})
    truth = average_spectrum(ideal("v_shaped", 5, bias=(-1.0, 1.0, POINTS)).sweeps, plan)
    held = []
    for seed in range(6):
        made = average_spectrum(rippled(seed, bench=Bench(white_A=1e-12), amplitude_A=2e-11), plan)
        held.append(((made.didv_low <= truth.didv) & (truth.didv <= made.didv_high)).mean())
    assert np.mean(held) > 0.88
    assert made.flags is not None
    said = made.flags[(made.flags["sweep"] == "") & (made.flags["flag"] == "ripple")]["detail"].iloc[0]
    assert said.startswith("10 of 10 sweeps; nothing is taken off")
    assert "one part in 3.2" in said


def test_no_factor_is_named_where_the_current_is_within_its_noise():
    bias = np.linspace(-1, 1, 201)
    generator = np.random.default_rng(7)
    current = np.where(bias < -0.19, 0.0, 3e-10) + 2e-12 * generator.standard_normal(201) + 1e-13 * bias
    made = ideal("v_shaped", 1).sweeps.select([0])
    detail = judge_iv(SweepSet("iv", bias, current[None], made.table))
    jump = detail.loc[detail["flag"] == "jump", "detail"].iloc[0]
    assert jump.startswith("the current steps by ")
    assert "factor" not in jump
