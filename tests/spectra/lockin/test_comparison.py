"""Lock-in against numerical derivative: gain and intercept with uncertainties that hold, from many sweeps and from one."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from sts.spectra.lockin.comparison import Ratio, calibrate_lockin, integral_ratio

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


V = np.linspace(-1, 1, CONDUCTANCE.size)
CURRENT = 1e-9 * (V + V**3 / 3)  # whose derivative is CONDUCTANCE


def ends(
    sweeps: int, *, gain: float = 1.0, current_noise: float = 2e-11, lockin_noise: float = 1e-10, rng=RNG
) -> Ratio:
    shape = (sweeps, V.size)
    lockin = gain * CONDUCTANCE + lockin_noise * rng.standard_normal(shape)
    return integral_ratio(V, lockin, CURRENT + current_noise * rng.standard_normal(shape))


def test_the_integral_over_the_step_of_the_current_is_one_without_noise_and_the_gain_otherwise():
    """Closed form: the integral of 1 + V² is V + V³/3."""
    assert_allclose(ends(1, current_noise=0, lockin_noise=0).value, 1.0, rtol=2e-4)
    assert_allclose(ends(4, gain=1.25, current_noise=0, lockin_noise=0).value, 1.25, rtol=2e-4)


@pytest.mark.parametrize("sweeps", [1, 2, 6])
def test_the_interval_of_the_integral_covers(sweeps):
    """95 % intervals by simulation, 1,000 trials of noise in both channels: a standard error of 0.7 %."""
    rng = np.random.default_rng(sweeps)
    inside = sum(r.low < 1.0 < r.high for r in (ends(sweeps, rng=rng) for _ in range(1000)))
    assert 0.93 < inside / 1000 < 0.985


@pytest.mark.parametrize("sweeps", [1, 2])
@pytest.mark.parametrize("density", ["parabola", "gap"])
def test_slow_noise_of_the_gap_in_one_or_two_sweeps_is_in_the_interval_of_the_integral(sweeps, density):
    """1/f noise of 2 % of the current, 200 trials of its own making: from point noise alone 18 to 36 % were held."""
    rng = np.random.default_rng(sweeps)
    v = np.linspace(-1, 1, 201)
    clean = 1 + v**2 if density == "parabola" else 0.01 + 2 * np.clip(np.abs(v) - 0.4, 0, None)
    current = np.concatenate([[0], np.cumsum(np.diff(v) * (clean[1:] + clean[:-1]) / 2)])
    current -= np.interp(0, v, current)
    frequency = np.fft.rfftfreq(4 * v.size)
    frequency[0] = np.inf
    white = rng.standard_normal((200, sweeps, 4 * v.size))
    slow = np.fft.irfft(np.fft.rfft(white) / np.sqrt(frequency))[..., : v.size]
    slow *= 0.02 / slow.std(axis=-1, keepdims=True)
    held = [r.low < 1 < r.high for r in (integral_ratio(v, clean * (1 + n), current * (1 + n)) for n in slow)]
    assert np.mean(held) > 0.9


def test_noise_hurts_the_integral_less_than_the_slope():
    """One sweep: the scatter of both over 60 trials of the same noise, dI/dV by differences."""
    rng, slopes, whole = np.random.default_rng(2), [], []
    for _ in range(60):
        current = CURRENT + 2e-12 * rng.standard_normal((1, V.size))
        lockin = CONDUCTANCE + 1e-10 * rng.standard_normal((1, V.size))
        slopes.append(calibrate_lockin(lockin, np.gradient(current, V, axis=1)).gain)
        whole.append(integral_ratio(V, lockin, current).value)
    assert np.std(whole) < 0.3 * np.std(slopes)


def test_too_few_points_have_no_ratio():
    assert np.isnan(integral_ratio(V[:5], CONDUCTANCE[None, :5], CURRENT[None, :5]).value)


@pytest.mark.parametrize(("gain", "noise"), [(1.0, 2e-10), (1.02, 1.5e-10)])
def test_one_noisy_sweep_cannot_tell_agreement_from_mismatch_and_says_so(gain, noise):
    lockin, didv = made(1, gain=gain, noise=noise, rng=np.random.default_rng(8))
    found = calibrate_lockin(lockin, didv, didv_se=np.full(didv.size, noise))
    assert found.agrees is None
    assert found.verdict.startswith("cannot be told: lock-in / numerical dI/dV is")
    assert found.gain_low < 0.99
    assert found.gain_high > 1.01


def test_a_verdict_never_claims_more_than_its_interval():
    """Agreement only where all of the interval is within the tolerance, mismatch only where all of it is beyond."""
    rng = np.random.default_rng(12)
    for gain in (1.0, 1.01, 1.03):
        for sweeps in (1, 2, 3, 6):
            found = calibrate_lockin(*made(sweeps, gain=gain, noise=3e-11, rng=rng))
            within = found.gain_low >= 0.99 and found.gain_high <= 1.01
            beyond = found.gain_low > 1.01 or found.gain_high < 0.99
            assert found.agrees is (True if within else False if beyond else None)


@pytest.mark.parametrize(
    ("value", "agrees", "words"),
    [
        (1.002, True, "agrees end to end"),
        (1.2, False, "mismatch end to end, in gain or zero"),
        (1.008, None, "cannot be told"),
    ],
)
def test_where_the_slope_cannot_tell_the_integral_decides_if_it_can(value, agrees, words):
    lockin, didv = made(1, noise=2e-10, rng=np.random.default_rng(8))
    found = calibrate_lockin(
        lockin, didv, didv_se=np.full(didv.size, 2e-10), end_to_end=Ratio.around(value, 0.002, 1.96)
    )
    assert found.agrees is agrees
    assert found.verdict.startswith(words)
    assert f"ΔI is {value:.4f} ± 0.0039" in found.verdict


def test_a_zero_of_the_lockin_is_told_where_the_slope_agrees_and_the_integral_does_not():
    found = calibrate_lockin(*made(5), end_to_end=Ratio.around(1.1, 0.002, 1.96))
    assert found.agrees is True
    assert "zero of its own" in found.verdict


def test_a_mistake_is_named_only_if_it_is_the_only_one_in_the_interval():
    """An interval from 1.2 to 2.2 holds √2 and 2: neither is named."""
    wide = calibrate_lockin(*made(3, gain=1.7, noise=1e-9, rng=np.random.default_rng(4)))
    assert wide.gain_low < 2**0.5
    assert wide.gain_high > 2.0
    assert "near" not in wide.verdict


def test_a_gain_is_not_named_after_a_mistake_far_from_it():
    """0.40 ± 0.09 holds 1/(2√2) = 0.354 and no other usual factor; it is 14 % off, and is not that."""
    rng = np.random.default_rng(6)
    found = calibrate_lockin(*made(3, gain=0.41, noise=1e-10, rng=rng))
    assert found.gain_low < 8**-0.5 < found.gain_high < 0.5
    assert found.agrees is False
    assert "near" not in found.verdict


def test_noise_of_one_sweeps_derivative_does_not_pass_for_a_low_gain():
    """Errors in variables: noise as large as half of the spread lowers a plain slope by a fifth; the interval must hold 1."""
    rng, noise, inside = np.random.default_rng(6), 0.5 * CONDUCTANCE.std(), 0
    for _ in range(100):
        didv = CONDUCTANCE + noise * rng.standard_normal((1, V.size))
        found = calibrate_lockin(CONDUCTANCE[None], didv, didv_se=np.full(V.size, noise))
        inside += found.gain_low < 1 < found.gain_high
    assert inside >= 93


def test_where_one_sweep_is_mostly_noise_its_slope_tells_nothing():
    lockin, didv = made(1, gain=1.4, noise=2e-9, rng=np.random.default_rng(8))
    found = calibrate_lockin(lockin, didv, didv_se=np.full(didv.size, 2e-9))
    assert found.agrees is None
    assert "lost in noise" in found.verdict
    assert np.isinf(found.gain_high)
