"""Peaks: planted ones come back with honest uncertainties, absent ones are not invented."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose

from sts.spectra.peaks import find_peaks, noise_of_few


def test_two_planted_peaks_come_back():
    rng = np.random.default_rng(2)
    v = np.linspace(-0.5, 0.5, 501)
    clean = 1 + 2 * np.exp(-4 * np.log(2) * ((v + 0.1) / 0.06) ** 2) + np.exp(-4 * np.log(2) * ((v - 0.2) / 0.04) ** 2)
    peaks = find_peaks(v, clean + 0.01 * rng.standard_normal((10, v.size)), resolution_V=0.045, significance=12)
    assert len(peaks) == 2
    assert_allclose(peaks["position_V"], [-0.1, 0.2], atol=2e-3)
    assert_allclose(peaks["width_V"], [0.06, 0.04], rtol=0.1)
    assert list(peaks["flag"]) == ["", "no wider than the resolution"]


def test_position_width_and_area_of_peaks_lie_within_their_uncertainties():
    """Closed forms of a Gaussian: area within one width on either side erf(2 √ln 2) h w √(π/ln 2)/2; no multiple of a step."""
    v = np.linspace(-0.5, 0.5, 201)
    true = [(-0.1033, 0.06, 2.0), (0.2017, 0.043, 1.0)]
    clean = 1 + sum(h * np.exp(-4 * np.log(2) * ((v - c) / w) ** 2) for c, w, h in true)
    inside = []
    for seed in range(25):
        rows = clean + 0.02 * np.random.default_rng(seed).standard_normal((10, v.size))
        peaks = find_peaks(v, rows, significance=12)
        assert len(peaks) == 2
        for (c, w, h), row in zip(true, peaks.to_dict("records"), strict=True):
            area = math.erf(2 * math.log(2) ** 0.5) * h * w * math.sqrt(math.pi / math.log(2)) / 2
            for name, value in (("position_V", c), ("width_V", w), ("area", area)):
                error = row["area_se" if name == "area" else name.replace("_V", "_se_V")]
                inside.append((name, abs(row[name] - value) <= 2 * error))
    for name in ("position_V", "width_V", "area"):
        assert np.mean([hit for what, hit in inside if what == name]) >= 0.8


def test_noise_alone_has_no_peaks():
    rng = np.random.default_rng(2)
    noise = np.convolve(rng.standard_normal(900), np.ones(9) / 9, mode="valid")[:801]
    v = np.linspace(-1, 1, 801)
    rows = noise + 0.5 * rng.standard_normal((8, 801))
    assert len(find_peaks(v, rows, significance=12)) == 0


GRID = np.linspace(-0.5, 0.5, 201)


def sloping(slope: float) -> np.ndarray:
    return 2 + slope * GRID + np.exp(-4 * np.log(2) * ((GRID - 0.1033) / 0.06) ** 2)


@pytest.mark.parametrize("slope", [0.0, 2.0, 5.0])
def test_a_slope_moves_the_maximum_of_the_conductance_and_not_the_peak_above_its_background(slope: float):
    """Closed form of a Gaussian on a line: its own centre and width, and a maximum where the slopes cancel."""
    curve = sloping(slope)
    (row,) = find_peaks(GRID, np.stack([curve] * 3), significance=5).to_dict("records")
    assert row["position_V"] == pytest.approx(0.1033, abs=5e-4)
    assert row["width_V"] == pytest.approx(0.06, rel=0.02)
    fine = np.linspace(0.08, 0.13, 5001)
    there = fine[np.argmax(slope * fine + np.exp(-4 * np.log(2) * ((fine - 0.1033) / 0.06) ** 2))]
    assert row["maximum_V"] == pytest.approx(there, abs=5e-4)


@pytest.mark.parametrize("repeats", [1, 2])
def test_one_or_two_repeats_have_uncertainties_from_their_point_noise_that_hold(repeats: int):
    """60 trials of noise of a fiftieth: 95 % intervals of the position hold its truth, and there is nothing without noise."""
    inside = []
    for seed in range(60):
        rng = np.random.default_rng([repeats, seed])
        rows = sloping(2.0) + 0.02 * rng.standard_normal((repeats, GRID.size))
        peaks = find_peaks(GRID, rows, significance=12, noise=noise_of_few(rows, None, seed=seed))
        best = peaks.iloc[(peaks["position_V"] - 0.1033).abs().argmin()]
        inside.append(abs(best["position_V"] - 0.1033) < 1.96 * best["position_se_V"])
    assert np.mean(inside) > 0.9
    assert not len(find_peaks(GRID, rows, significance=12))


def test_no_peak_where_the_fit_from_one_side_begins():
    """A step where the end fit begins (a kink of the smoother) is no peak; the same one further in is."""
    curve = 1 + np.exp(-(((GRID - 0.45) / 0.02) ** 2))
    ends = np.abs(GRID) > 0.455
    assert not len(find_peaks(GRID, np.stack([curve] * 3), one_sided=ends))
    assert len(find_peaks(GRID, np.stack([curve] * 3), one_sided=np.abs(GRID) > 0.49)) == 1
