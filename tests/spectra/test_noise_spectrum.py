"""The noise spectrum gives back the density that was put in, and its interval holds it as often as it says."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from sts.simulate import Bench, BiasRamp, simulate_iv
from sts.spectra.noise_spectrum import noise_spectrum


def made(white_A: float = 1e-12, sweeps: int = 20, seed: int = 1, **bench: float):
    ramp = BiasRamp(duration_s=2.0)
    return simulate_iv(density="v_shaped", bias=(-0.5, 0.5, 201), sweeps=sweeps, setpoint_current_A=1e-10,
                       bench=Bench(white_A=white_A, setpoint_scatter=0.05, **bench), ramp=ramp, seed=seed).sweeps  # fmt: skip


def test_white_noise_has_the_density_of_its_standard_deviation():
    """s²/(half of the sampling rate) is its one-sided density: textbooks."""
    found = noise_spectrum([made()], label="all")
    assert found is not None
    expected = 1e-12 / np.sqrt(200 / 2.0 / 2)
    assert_allclose(np.sqrt(np.mean(found.density**2)), expected, rtol=0.04)
    assert found.frequency_Hz[-1] < 50
    assert_allclose(found.rms_A, 1e-12, rtol=0.04)


def test_the_interval_holds_the_truth_as_often_as_it_says():
    expected, held = 1e-12 / np.sqrt(200 / 2.0 / 2), []
    for seed in range(8):
        found = noise_spectrum([made(sweeps=10, seed=seed)])
        held.append((found.low[2:] <= expected) & (expected <= found.high[2:]))  # the line takes some of the first
    assert 0.92 < np.mean(held) < 0.975


def test_hum_stands_at_its_frequency():
    sweeps = made()
    time = np.arange(201) * 2.0 / 200
    phases = np.random.default_rng(2).uniform(0, 2 * np.pi, (len(sweeps), 1))
    hum = replace(sweeps, current=sweeps.current + 3e-12 * np.sin(2 * np.pi * 17 * time + phases))
    found = noise_spectrum([hum])
    assert found.frequency_Hz[np.argmax(found.density)] == pytest.approx(17, abs=0.6)


def test_too_few_repeats_or_no_clock_tell_nothing():
    assert noise_spectrum([made(sweeps=1)]) is None
    sweeps = made()
    assert noise_spectrum([sweeps.with_table(sweeps.table.assign(duration_s=np.nan))]) is None
    assert noise_spectrum([sweeps], used=sweeps.names[:2]) is None
    assert noise_spectrum([]) is None
