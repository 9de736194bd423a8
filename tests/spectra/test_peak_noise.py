"""What a curve scatters by: known noise comes back, of any colour and where it grows with the current; peaks are no noise."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats
from scipy.ndimage import gaussian_filter1d

from sts.spectra.peak_noise import CHANCE, error_of_curve, error_of_difference, error_of_units, threshold
from sts.spectra.peaks import find_peaks

V = np.linspace(-1, 1, 801)
NONE = np.zeros((2, V.size))  # draws of point noise that there is none of


def tied(rng: np.random.Generator, rows: int) -> np.ndarray:
    """Noise of standard deviation 1 that is tied together over 8 points (full width at half height)."""
    noise = gaussian_filter1d(rng.standard_normal((rows, V.size)), 8 / 2.355, axis=1)
    return noise / noise.std()


@pytest.mark.parametrize("background", [0.0, 50.0], ids=["level", "parabola"])
def test_noise_of_one_curve_is_known_from_the_curve(background):
    """Mean of 20 curves; each is known to about 1/sqrt(2 freedom) = 9 %, their mean to 2 %: five times that."""
    rows = 100 + background * V**2 + tied(np.random.default_rng(1), 20)
    found = [error_of_curve(V, row, NONE, 8.0) for row in rows]
    assert_allclose(np.mean([error[V.size // 2] for error, _ in found]), 1, atol=0.1)
    assert 40 < found[0][1] < 80


def test_noise_that_grows_with_the_current_is_larger_at_the_ends():
    """Noise in proportion to |V| on a metal, whose current is V: the standard deviation at 0.9 V is 0.9, at 0.1 V 0.1."""
    rows = 100 + np.abs(V) * tied(np.random.default_rng(2), 20)
    errors = np.mean([error_of_curve(V, row, NONE, 8.0)[0] for row in rows], axis=0)
    assert_allclose(np.interp([-0.9, 0.9], V, errors), 0.9, rtol=0.15)
    assert np.interp(0.1, V, errors) < 0.3


def test_peaks_are_no_noise():
    row = 100 + tied(np.random.default_rng(3), 1)[0]
    peaks = 40 * sum(np.exp(-(((V - at) / 0.03) ** 2)) for at in (-0.5, 0.2))
    assert error_of_curve(V, row + peaks, NONE, 8.0)[0].max() < 1.6 * error_of_curve(V, row, NONE, 8.0)[0].max()


def test_noise_of_the_points_is_the_least():
    drawn = 5 * np.random.default_rng(4).standard_normal((400, V.size))
    assert_allclose(error_of_curve(V, np.full(V.size, 100.0), drawn, 8.0)[0], drawn.std(axis=0))


def test_a_short_curve_has_the_noise_of_its_points():
    error, freedom = error_of_curve(V[:20], V[:20], NONE[:, :20], 8.0)
    assert freedom == 1
    assert (error == 0).all()


def test_noise_of_units_is_that_of_their_mean():
    rows = tied(np.random.default_rng(5), 5)
    error, freedom = error_of_units(rows, 8.0)
    assert_allclose(error.mean(), 1 / np.sqrt(5), rtol=0.1)
    assert_allclose(freedom, 4 * 200 / 12)


def test_the_difference_of_two_curves_is_their_noise_whatever_their_structure():
    """Two curves full of peaks: half of their difference has the standard deviation of their mean, 1/sqrt(2)."""
    rng = np.random.default_rng(7)
    peaks = 100 + 40 * np.sin(30 * V)
    errors = []
    for _ in range(20):
        first, second = peaks + tied(rng, 2)
        error, freedom = error_of_difference(V, (first + second) / 2, (first - second) / 2, NONE, 8.0)
        errors.append(error[V.size // 2])
    assert_allclose(np.mean(errors), 1 / np.sqrt(2), rtol=0.12)
    assert 40 < freedom < 80


def test_few_degrees_of_freedom_raise_the_threshold():
    """Student's t of scipy.stats."""
    assert_allclose(threshold(6.0, 4.0), stats.t.ppf(1 - CHANCE, 4), rtol=1e-9)
    assert threshold(6.0, 100.0) == 6


@pytest.mark.parametrize("repeats", [1, 2])
def test_slow_noise_of_few_repeats_makes_no_peaks(repeats):
    """30 curves of noise that the points know nothing of; with the noise of points alone nearly all had peaks."""
    rng = np.random.default_rng(6)
    found = [
        len(
            find_peaks(
                V, 100 + np.abs(V) * tied(rng, repeats), resolution_V=0.02, significance=6, noise=0.02 * tied(rng, 50)
            )
        )
        for _ in range(30)
    ]
    assert sum(n > 0 for n in found) <= 2  # 1 % of 30: 3 or more are a chance of 1 in 300
    peak = 12 * np.exp(-(((V - 0.3) / 0.03) ** 2))
    rows = 100 + peak + np.abs(V) * tied(rng, repeats)
    places = find_peaks(V, rows, resolution_V=0.02, significance=6, noise=0.02 * tied(rng, 50))["position_V"]
    assert len(places) == 1
    assert abs(places[0] - 0.3) < 0.02
