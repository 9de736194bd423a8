"""A line of constant period is found in what is left, and taken out, and a smooth shape is not mistaken for one."""

from __future__ import annotations

import numpy as np
import pytest

from sts.barrier.log_ratio import Ratio, wave

U = np.linspace(0, 1, 150)


def ratio(value):
    weight = np.exp(-7 * U) / np.hypot(1e-3, 1e-2 * np.exp(-7 * U))  # 1 over the standard deviation of the logarithm
    return Ratio(U, value, np.broadcast_to(weight, value.shape), np.full(len(value), 7.0), 2)


@pytest.mark.parametrize("periods", [2.0, 3.0, 4.5])
def test_a_line_is_found_by_its_period_and_taken_out(periods):
    rng = np.random.default_rng(1)
    phase = rng.uniform(0, 2 * np.pi, 6)[:, None]
    line = 0.02 * np.sin(2 * np.pi * periods * U + phase) * np.exp(7 * U)
    one = ratio(line)
    left = one.rest(0.0)(line) + rng.normal(size=line.shape)
    assert one.line(left, 1.0) == pytest.approx(periods, abs=0.5)
    assert np.abs(one.rest(periods)(line)).max() < 1e-9


def test_noise_has_no_line():
    rng = np.random.default_rng(2)
    noise = rng.normal(size=(6, 150))
    assert ratio(noise).line(noise, 1.0) == 0


def test_waves_of_no_period_are_none():
    assert wave(U, 0.0).shape == (150, 0)
    assert np.allclose(wave(U, 1.0)[0], [1, 0])
