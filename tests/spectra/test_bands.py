"""Bands: their size is that of theory where theory is exact, and wider where fewer sweeps have a sample."""

from __future__ import annotations

import numpy as np
from numpy.testing import assert_allclose
from scipy import stats

from sts.curves import make_smoother
from sts.curves.averaging import average_units
from sts.plan import Plan
from sts.spectra.bands import derive, widened_where_few

BIAS = np.linspace(-1.0, 1.0, 41)
SMOOTHER = make_smoother(BIAS, width_V=0.2)


def test_uncertainty_of_the_slope_is_the_scatter_of_the_slopes_of_the_units() -> None:
    """Any smoothing is linear: the standard error of the mean of the units' slopes is that of the slope of the mean."""
    generator = np.random.default_rng(3)
    units = 1e-9 * (BIAS + BIAS**3) * (1 + 0.05 * generator.standard_normal((8, 1)))
    means = derive(BIAS, average_units(units, "mean"), SMOOTHER, Plan(), {}, "repeat")
    slopes = SMOOTHER.differentiate(units)
    assert_allclose(means.didv, slopes.mean(axis=0), rtol=1e-9)
    assert_allclose(means.didv_se, slopes.std(axis=0, ddof=1) / np.sqrt(8), rtol=1e-9)
    assert_allclose(means.quantile, stats.t.ppf(0.975, 7))


def test_the_ratio_of_an_ohmic_junction_is_one_and_its_level_cancels() -> None:
    units = 1e-9 * BIAS * np.array([0.8, 0.9, 1.0, 1.3])[:, None]
    means = derive(BIAS, average_units(units, "mean"), SMOOTHER, Plan(), {}, "repeat")
    there = np.abs(BIAS) > 0.1
    assert_allclose(means.normalised[there], 1.0, rtol=1e-9)
    assert (means.normalised_se[there] < 1e-6).all()  # a gain common to current and slope is no error of their ratio


def test_one_unit_has_a_band_from_its_residuals_that_is_right_on_average_and_says_so() -> None:
    found: list[np.ndarray] = []
    notes: dict[str, str] = {}
    for seed in range(60):  # each knows its noise to 17 %
        units = 1e-9 * BIAS[None] + 1e-11 * np.random.default_rng(seed).standard_normal((1, BIAS.size))
        found.append(derive(BIAS, average_units(units, "mean"), SMOOTHER, Plan(), notes, "repeat").didv_se)
    assert "slow noise is not in it" in notes["no band"]
    gain = np.sqrt((SMOOTHER.derivative**2).sum(axis=1))
    assert_allclose(np.median(np.sqrt(np.mean(np.square(found), axis=0)) / gain), 1e-11, rtol=0.1)


def test_half_the_sweeps_make_the_band_that_half_the_units_have() -> None:
    generator = np.random.default_rng(5)
    units = 1e-9 * BIAS + 1e-12 * generator.standard_normal((8, BIAS.size))
    means = derive(BIAS, average_units(units, "mean"), SMOOTHER, Plan(), {}, "repeat")
    there = np.where(BIAS > 0.5, 0.5, 1.0)
    there[-1] = 0.125
    wider = widened_where_few(means, there, 8, 0.95)
    few = (there == 0.5) & np.isfinite(means.didv_se)
    # scatter sqrt(7/3) (what was filled in adds none) times sqrt(8/4) fewer units, and Student's t of 3 degrees
    expected = np.sqrt(7 / 3 * 8 / 4) * stats.t.ppf(0.975, 3) / stats.t.ppf(0.975, 7)
    assert_allclose(wider.didv_se[few] / means.didv_se[few], expected)
    assert np.isnan(wider.didv_se[-1])
    assert_allclose(wider.didv_se[there == 1], means.didv_se[there == 1], rtol=0)
    assert widened_where_few(means, np.ones(BIAS.size), 8, 0.95) is means
