"""Lock-in against numerical derivative: gain and intercept with uncertainties that hold, from many sweeps and from one."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from sts.spectra.lock_in import calibrate_lockin

RNG = np.random.default_rng(11)
CONDUCTANCE = 1e-9 * (1 + np.linspace(-1, 1, 120) ** 2)  # parabolic, nowhere zero


def made(sweeps: int, *, gain: float = 1.0, intercept: float = 0.0, noise: float = 1e-11, rng=RNG):
    """Lock-in and derivative of the same sweeps, each with its own noise."""
    shape = (sweeps, CONDUCTANCE.size)
    lockin = gain * CONDUCTANCE + intercept + noise * rng.standard_normal(shape)
    return lockin, CONDUCTANCE + noise * rng.standard_normal(shape)


def test_one_sweep_without_noise_in_the_derivative_is_a_line_by_least_squares():
    """scipy.stats.linregress: slope and its standard error."""
    lockin, _ = made(1, gain=2.5, intercept=3e-10)
    found = calibrate_lockin(lockin, CONDUCTANCE[None], unit="V")
    line = stats.linregress(CONDUCTANCE, lockin[0])
    assert_allclose([found.gain, found.intercept], [line.slope, line.intercept], rtol=1e-9)
    assert (
        0.9 * line.stderr < found.gain_se < 1.6 * line.stderr
    )  # wider by the correlation that is seen in the residuals
    assert found.sweeps == 1


@pytest.mark.parametrize(("sweeps", "low"), [(1, 88.0), (2, 88.0), (3, 90.0), (12, 91.0)])
def test_the_interval_of_the_gain_covers(sweeps, low):
    """95 % intervals by simulation, 400 trials: one and two sweeps by their residuals, more by their scatter."""
    rng, inside = np.random.default_rng(sweeps), 0
    for _ in range(400):
        found = calibrate_lockin(*made(sweeps, gain=1.7, noise=1e-11, rng=rng), unit="V")
        reach = stats.t.ppf(0.975, sweeps - 1) if sweeps >= 3 else 1.96
        inside += abs(found.gain - 1.7) < reach * found.gain_se
    assert low <= inside / 4 <= 100


def test_noise_that_is_slow_widens_the_uncertainty_of_a_single_sweep():
    slow = np.convolve(RNG.standard_normal(140), np.ones(21) / 21, mode="valid")
    quick = RNG.standard_normal(120)
    se = [
        calibrate_lockin((CONDUCTANCE + 1e-11 * n / n.std())[None], CONDUCTANCE[None], unit="V").gain_se
        for n in (slow, quick)
    ]
    assert se[0] > 2 * se[1]


def test_ratio_is_one_over_gain():
    found = calibrate_lockin(*made(5, gain=np.sqrt(2)))
    assert_allclose(found.ratio, 1 / found.gain)
    assert found.agrees is False
    assert "rms" in found.verdict  # √2: peak where rms was meant


def test_too_few_points_are_refused_with_their_number():
    lockin, didv = made(3)
    lockin[:, 7:] = np.nan
    with pytest.raises(ValueError, match="7 points are finite"):
        calibrate_lockin(lockin, didv)


def test_noise_in_the_derivative_does_not_lower_the_gain():
    """Errors in variables (textbook): a plain regression on dI/dV this noisy would read 0.76."""
    rng, gains, inside = np.random.default_rng(4), [], 0
    clean, noise = CONDUCTANCE, 1.1 * CONDUCTANCE.std()
    for _ in range(200):
        didv = clean + noise * rng.standard_normal((4, clean.size))
        lockin = clean + 0.01 * noise * rng.standard_normal((4, clean.size))
        found = calibrate_lockin(lockin, didv)
        gains.append(found.gain)
        inside += abs(found.gain - 1) < stats.t.ppf(0.975, 3) * found.gain_se
    assert abs(np.median(gains) - 1) < 0.02
    assert inside / 200 > 0.88


@pytest.mark.parametrize(("gain", "words"), [(1.0, "agrees"), (2**0.5, "rms"), (1.1, "off by 10")])
def test_a_planted_gain_is_found_and_named(gain, words):
    rng = np.random.default_rng(5)
    didv = 1e-9 * (1 + np.linspace(-1, 1, 300) ** 2)
    each = didv * (1 + 0.002 * rng.standard_normal((8, 300)))
    lockin = gain * didv * (1 + 0.002 * rng.standard_normal((8, 300))) + 2e-11
    found = calibrate_lockin(lockin, each)
    assert abs(found.gain - gain) < 0.01 * gain
    assert abs(found.intercept - 2e-11) < 1e-11
    assert words in found.verdict
    assert found.agrees == (gain == 1.0)


def test_a_channel_without_a_unit_is_not_judged():
    didv = 1e-9 * (1 + np.linspace(-1, 1, 300) ** 2)
    found = calibrate_lockin(3 * np.stack([didv] * 3), np.stack([didv] * 3), unit="")
    assert found.agrees is None
    assert "no stated unit" in found.verdict


def test_too_few_common_points_are_refused():
    with pytest.raises(ValueError, match="at least 8"):
        calibrate_lockin(np.full((3, 20), np.nan), np.ones((3, 20)))
