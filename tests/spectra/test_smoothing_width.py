"""The repeats choose the smoothing: near the best in white and in 1/f noise."""

from __future__ import annotations

import numpy as np
import pytest

from sts.curves.smoothing import make_smoother
from sts.quantities import thermal_width
from sts.spectra.smoothing_width import choose_smoother, same_level

BIAS = np.linspace(-1, 1, 201)
DIDV = 0.3 + np.exp(-((BIAS - 0.4) ** 2) / 2 / 0.08**2) + 0.7 * np.exp(-((BIAS + 0.3) ** 2) / 2 / 0.06**2)
CURRENT = np.concatenate([[0], np.cumsum((DIDV[1:] + DIDV[:-1]) / 2 * np.diff(BIAS))])
CURRENT = CURRENT - CURRENT[100]


def pink(rng: np.random.Generator, rows: int, points: int = 201) -> np.ndarray:
    frequency = np.fft.rfftfreq(2 * points)
    spectrum = np.fft.rfft(rng.standard_normal((rows, 2 * points))) / np.sqrt(np.maximum(frequency, frequency[1]))
    noise = np.fft.irfft(spectrum)[:, :points]
    return noise / noise.std()


@pytest.mark.parametrize(("colour", "limit"), [("white", 1.25), ("1/f", 1.6)])
@pytest.mark.parametrize("repeats", [5, 20])
def test_error_is_close_to_that_of_the_best_width_in_hindsight(colour: str, limit: float, repeats: int):
    rng = np.random.default_rng(11)
    ratios = []
    for _ in range(5):
        if colour == "white":
            sweeps = CURRENT + 3e-3 * rng.standard_normal((repeats, 201))
        else:
            sweeps = CURRENT * np.exp(0.03 * pink(rng, repeats)) + 1e-3 * rng.standard_normal((repeats, 201))
        smoother, criterion, _ = choose_smoother(BIAS, sweeps)
        truth = DIDV * float(sweeps.mean(axis=0) @ CURRENT / (CURRENT @ CURRENT))

        def error(s, sweeps=sweeps, truth=truth):
            return np.sqrt(np.mean((s.differentiate(sweeps.mean(axis=0)) - truth) ** 2))

        best = min(error(make_smoother(BIAS, width_V=w)) for w in criterion["width_V"])
        ratios.append(error(smoother) / best)
    assert np.mean(ratios) < limit


def test_criterion_is_the_curve_that_decided():
    rng = np.random.default_rng(1)
    smoother, criterion, note = choose_smoother(BIAS, CURRENT + 1e-3 * rng.standard_normal((6, 201)))
    assert criterion["chosen"].sum() == 1
    assert criterion.loc[criterion["chosen"], "score"].item() == criterion["score"].min()
    assert criterion.loc[criterion["chosen"], "width_V"].item() == smoother.width
    assert "6 repeats" in note


def test_scatter_of_the_set_point_does_not_move_the_choice():
    rng = np.random.default_rng(2)
    sweeps = CURRENT + 1e-3 * rng.standard_normal((10, 201))
    scattered = sweeps * np.exp(0.3 * rng.standard_normal((10, 1)))
    assert choose_smoother(BIAS, scattered)[0].width == pytest.approx(choose_smoother(BIAS, sweeps)[0].width, rel=0.6)
    assert np.ptp(same_level(scattered) @ CURRENT) < 0.02 * np.ptp(scattered @ CURRENT)


@pytest.mark.parametrize(("temperature", "words"), [(250.0, "at 250 K"), (np.nan, "not recorded"), (0.3, "narrowest")])
def test_fewer_than_three_repeats_get_a_stated_width(temperature: float, words: str):
    smoother, criterion, note = choose_smoother(BIAS, CURRENT + np.zeros((2, 1)), temperature_K=temperature)
    assert criterion is None
    assert words in note
    if temperature == 250.0:
        assert smoother.width == pytest.approx(thermal_width(250.0) / 2, rel=0.5)


def test_noise_free_repeats_get_a_narrow_kernel():
    smoother, _, _ = choose_smoother(BIAS, np.broadcast_to(CURRENT, (5, 201)))
    assert smoother.width < 0.05


@pytest.mark.parametrize("repeats", [5, 20])
def test_a_straight_line_is_smoothed_as_widely_as_may_be(repeats: int):
    """The best window in hindsight of an ohmic junction is the widest; choosing a narrower one by chance costs much."""
    rng = np.random.default_rng(3)
    widest = make_smoother(BIAS, width_V=2 / 3).width
    ratios = []
    for _ in range(20):
        sweeps = BIAS + 3e-3 * rng.standard_normal((repeats, 201))
        smoother, _, _ = choose_smoother(BIAS, sweeps)
        assert smoother.width <= widest * (1 + 1e-9)
        best = np.std(make_smoother(BIAS, width_V=2 / 3).differentiate(sweeps.mean(axis=0))[10:-10] - 1)
        ratios.append(np.std(smoother.differentiate(sweeps.mean(axis=0))[10:-10] - 1) / best)
    assert np.mean(ratios) < 1.3


@pytest.mark.parametrize("repeats", [3, 5, 10])
def test_a_lone_narrow_peak_is_not_smoothed_away(repeats: int):
    """Widths that have lost the peak agree with half of themselves; only much narrower ones know better."""
    rng = np.random.default_rng(5)
    didv = 1 + 0.5 * np.exp(-4 * np.log(2) * ((BIAS - 0.3) / 0.05) ** 2)
    current = np.concatenate([[0], np.cumsum((didv[1:] + didv[:-1]) / 2 * np.diff(BIAS))])
    for _ in range(5):
        sweeps = current - current[100] + 3e-4 * rng.standard_normal((repeats, 201))
        smoother, _, _ = choose_smoother(BIAS, sweeps)
        assert smoother.width < 0.08  # it was 0.67
        assert smoother.differentiate(sweeps.mean(axis=0)).max() > 1.3


def test_generalised_cross_validation_errs_in_slow_noise_as_the_docs_say():
    """The figures of docs/smoothing.md: median error of dI/dV over the best width's, 15 curves of 401 points, 1 % noise."""
    bias = np.linspace(-1, 1, 401)
    didv = np.interp(bias, BIAS, DIDV)
    current = np.concatenate([[0], np.cumsum((didv[1:] + didv[:-1]) / 2 * np.diff(bias))])
    smoothers = [make_smoother(bias, width_V=width) for width in 0.005 * np.geomspace(3.5, 133, 18)]
    inner, found = slice(20, -20), {}
    for colour in ("white", "1/f"):
        ratios = []
        for seed in range(15):
            rng = np.random.default_rng(seed)
            noise = rng.standard_normal(401) if colour == "white" else pink(rng, 1, 401)[0]
            curve = current + 0.01 * noise
            score = [np.sum((curve - s.smooth @ curve) ** 2) / (401 - np.trace(s.smooth)) ** 2 for s in smoothers]
            error = [np.sqrt(np.mean((s.differentiate(curve) - didv)[inner] ** 2)) for s in smoothers]
            ratios.append(error[int(np.argmin(score))] / min(error))
        found[colour] = np.median(ratios)
    assert found["white"] < 2
    assert 3 < found["1/f"] < 6
