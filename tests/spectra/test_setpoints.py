"""Gaps at several set-points: the line is that of a general library, its uncertainty holds."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
from numpy.testing import assert_allclose
from scipy.optimize import curve_fit

from sts.spectra import setpoint_trends

CURRENTS = np.array([1e-10, 2e-10, 4e-10, 1e-9])


def spectra(gaps, se, currents=CURRENTS, **keys) -> Any:
    return [
        SimpleNamespace(
            keys={"sample": "s", "setpoint_current_A": current, **keys},
            gaps=pd.DataFrame({"gap_method": ["band edges"], "gap_meV": [gap], "gap_se_meV": [u]}),
        )
        for current, gap, u in zip(currents, gaps, se, strict=True)
    ]


def test_the_slope_is_that_of_a_weighted_fit_by_a_general_library():
    """scipy.optimize.curve_fit with absolute sigma; gaps that scatter less than their uncertainties."""
    gaps, se = np.array([1150.0, 1152.0, 1153.0, 1157.0]), np.array([3.0, 2.0, 2.0, 4.0])
    [row] = setpoint_trends(spectra(gaps, se)).to_dict("records")
    wanted, covariance = curve_fit(lambda x, a, b: a + b * x, np.log10(CURRENTS), gaps, sigma=se, absolute_sigma=True)
    assert_allclose(row["gap_change_meV_per_decade"], wanted[1], rtol=1e-4)
    assert_allclose(row["gap_change_se_meV_per_decade"], np.sqrt(covariance[1, 1]), rtol=1e-4)
    assert row["setpoints"] == 4
    assert not row["trend"]


def test_a_trend_that_is_there_is_seen_and_one_that_is_not_is_seldom():
    rng, se = np.random.default_rng(1), np.array([3.0, 2.0, 2.0, 4.0])
    x = np.log10(CURRENTS / CURRENTS[0])
    for slope, low, high in ((0.0, 0.0, 0.08), (20.0, 0.95, 1.0)):
        told = [
            setpoint_trends(spectra(1150 + slope * x + se * rng.standard_normal(4), se))["trend"][0] for _ in range(300)
        ]
        assert low <= np.mean(told) <= high


def test_two_set_points_or_unknown_ones_make_no_trend():
    assert setpoint_trends(spectra([1, 2], [1, 1], CURRENTS[:2])).empty
    assert setpoint_trends(spectra([1, 2, 3], [1, 1, 1], [np.nan] * 3)).empty


def test_tips_each_at_a_set_point_of_its_own_make_no_trend():
    """Five tips, five set-points, and gaps that follow the tips: nothing says that the set-point did it."""
    each = [one for k in range(4) for one in spectra([1150 + 30 * k], [1], CURRENTS[k : k + 1], tip=f"tip {k}")]
    assert setpoint_trends(each).empty
    two = spectra([1150, 1150, 1150, 1150], [1] * 4, tip="heron") + spectra(
        [1150, 1180, 1210, 1250], [1] * 4, tip="kite"
    )
    assert setpoint_trends(two)[["tip", "setpoints", "trend"]].to_numpy().tolist() == [
        ["heron", 4, False],
        ["kite", 4, True],
    ]
