"""Local maxima and their widths, against scipy.signal (a general reference library)."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_array_equal
from scipy import signal

from sts.curves.summits import summits


@pytest.mark.parametrize("kind", ["noise", "walk", "steps", "lines"])
@pytest.mark.parametrize("seed", range(5))
def test_maxima_and_half_widths_are_those_of_the_reference(kind: str, seed: int) -> None:
    rng = np.random.default_rng(seed)
    y = rng.normal(size=300)
    if kind == "walk":
        y = np.cumsum(y)
    elif kind == "steps":  # flat tops of every length
        y = np.round(np.cumsum(y))
    elif kind == "lines":
        x = np.linspace(-1, 1, 300)
        y = sum(1e-9 / (1 + ((x - at) / 0.03) ** 2) for at in rng.uniform(-1, 1, 6)) + 1e-11 * y
    for least in (0.0, 0.3 * np.ptp(y), np.ptp(y) * rng.uniform(0, 0.5, y.size)):
        expected, about = signal.find_peaks(y, prominence=least)
        shape = (about["prominences"], about["left_bases"], about["right_bases"])
        _, _, left, right = signal.peak_widths(y, expected, rel_height=0.5, prominence_data=shape)
        found = summits(y, least)
        for ours, theirs in zip(found, (expected, left, right), strict=True):
            assert_array_equal(ours, theirs)
        assert np.ndim(least) or least > 0 or len(expected) > 5


@pytest.mark.parametrize("y", [[], [1.0], [1.0, 2.0], [2.0, 2.0, 2.0], [1.0, 2.0, 3.0], [3.0, 2.0, 3.0]])
def test_a_curve_without_a_maximum_within_has_none(y: list[float]) -> None:
    assert [part.size for part in summits(y, 0.0)] == [0, 0, 0]
