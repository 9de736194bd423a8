"""Gap and peaks of single sweeps: where they were put, with the scatter that noise makes, and none where there is none."""

from __future__ import annotations

from functools import cache

import numpy as np
import pandas as pd
import pytest

from sts.curves import make_smoother
from sts.spectra.each_sweep import COLUMNS, Rows, features_of_sweeps, strongest_peaks
from sts.spectra.gaps.band_forms import Blur
from sts.spectra.gaps.gap import gap_edges
from sts.spectra.peaks import find_peaks

V = np.linspace(-1.4, 1.4, 281)
NOISE = 1e-12  # [A] white


def rows(current: np.ndarray, seed: int) -> tuple[Rows, Blur]:
    """Sweeps of a current (m, n) with white noise, smoothed."""
    smoother = make_smoother(V, width_V=0.06)
    rng = np.random.default_rng(seed)
    m = len(current)
    noise = smoother.differentiate(NOISE * rng.standard_normal((100, V.size)))
    each = smoother.differentiate(current + NOISE * rng.standard_normal(current.shape))
    table = pd.DataFrame(
        {"sweep": [f"iv_{i}" for i in range(m)], "tip": "A", "day": "", "site": [f"s{i // 10}" for i in range(m)],
         "repeat": np.arange(m), "direction": "up"}
    )  # fmt: skip
    offsets, weights = smoother.kernel()
    there = np.abs(weights) > 1e-9 * weights.max()
    return Rows(V, each, table, noise), Blur(0.0, 0.0, (offsets[there], weights[there]))


@cache
def gapped() -> pd.DataFrame:
    """Forty sweeps, linear bands from -0.6 V; the upper edge of the last ten at 0.65 instead of 0.55 V."""
    upper = np.where(np.arange(40) < 30, 0.55, 0.65)[:, None]
    current = 1e-9 * (np.clip(V - upper, 0, None) ** 2 - np.clip(-V - 0.6, 0, None) ** 2)
    made, blur = rows(current, 1)
    gaps = gap_edges(V, made.each, blur=blur, resolution_V=0.06, exponent=1.0)
    return features_of_sweeps(made, gaps, None, blur=blur)


def test_the_edges_of_each_sweep_are_where_they_were_put():
    found = gapped().pivot_table(index="sweep", columns="feature", values="value_mV")
    late = np.array([int(name[3:]) >= 30 for name in found.index])
    assert abs(found["lower edge"].mean() + 600) < 6  # three standard errors of the mean of 30 with 10 each
    assert abs(found.loc[~late, "upper edge"].mean() - 550) < 6
    assert abs(found.loc[late, "upper edge"].mean() - 650) < 10
    assert np.allclose(found["gap"], found["upper edge"] - found["lower edge"])


@pytest.mark.parametrize("feature", ["gap", "lower edge"])
def test_the_uncertainty_of_each_is_the_scatter_that_white_noise_makes(feature):
    """Of 30 alike sweeps: a standard deviation is known to 13 %, that of 60 draws of noise to 9 %; three times both."""
    own = gapped()[gapped()["feature"] == feature]
    alike = own[[int(name[3:]) < 30 for name in own["sweep"]]]
    assert 0.6 < alike["value_mV"].std() / alike["value_se_mV"].iloc[0] < 1.5


def test_peaks_of_each_sweep_are_found_by_position_with_their_scatter():
    at = np.array([-0.5, 0.3])
    width = 0.15 / np.sqrt(8 * np.log(2))
    didv = 1e-9 * (
        1 + sum(size * np.exp(-((V - place) ** 2) / (2 * width**2)) for size, place in zip((1, 2), at, strict=True))
    )
    current = np.tile(np.cumsum(didv) * (V[1] - V[0]), (40, 1))
    made, _ = rows(current, 2)
    peaks = find_peaks(V, made.each, resolution_V=0.06)
    found = features_of_sweeps(made, None, peaks)
    for name, place in zip(("peak 1", "peak 2"), 1e3 * at, strict=True):
        own = found[found["feature"] == name]
        assert len(own) == 40
        assert abs(own["value_mV"].mean() - place) < 8
        assert 0.6 < own["value_mV"].std() / own["value_se_mV"].iloc[0] < 1.5
        assert (own["width_mV"] > 0).all()


def test_the_strongest_peaks_are_numbered_by_position():
    peaks = pd.DataFrame({"position_V": [0.5, -0.2, 0.1, 0.3, -0.4], "height": [5.0, 4.0, 1.0, 3.0, 2.0]})
    assert list(strongest_peaks(peaks)["position_V"]) == [-0.4, -0.2, 0.3, 0.5]


def test_nothing_is_told_where_the_average_shows_nothing():
    made, blur = rows(1e-9 * np.tile(V, (6, 1)), 3)
    empty = features_of_sweeps(made, gap_edges(V, made.each, blur=blur), find_peaks(V, made.each), blur=blur)
    assert list(empty.columns) == list(COLUMNS)
    assert empty.empty


def test_a_dip_without_a_floor_has_its_width_at_half_depth():
    """1 - 0.5 exp(-(V/w)²) is at half depth where V = w √ln 2."""
    w = 0.3
    current = np.cumsum(1e-9 * (1 - 0.5 * np.exp(-((V / w) ** 2)))) * (V[1] - V[0])
    made, blur = rows(np.tile(current, (12, 1)), 4)
    half = w * np.sqrt(np.log(2))
    dip = {"gap_method": "soft gap, width at half depth", "gap_meV": 2e3 * half}
    gaps = pd.DataFrame([dip | {"lower_edge_V": -half, "upper_edge_V": half}])
    found = features_of_sweeps(made, gaps, None, blur=blur)
    gap = found[found["feature"] == "gap"]
    assert len(gap) == 12
    assert abs(gap["value_mV"].mean() - 2e3 * half) < 20
    assert 0.4 < gap["value_mV"].std() / gap["value_se_mV"].iloc[0] < 2.0  # 12 sweeps: 20 %, three times
