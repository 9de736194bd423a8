"""Groups, repeats, holes and averages."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from sts.curves.averaging import average_units, fill_missing, group_sweeps, mean_to_median, rows_of_codes, unit_means
from sts.sweeps import SweepSet, sweep_table

BIAS = np.linspace(-1, 1, 101)
CURVE = 1e-9 * BIAS * (1 + BIAS**2)


def units(scatter: float, count: int, seed: int = 0, noise: float = 1e-13) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return CURVE * np.exp(scatter * rng.standard_normal((count, 1))) + noise * rng.standard_normal((count, 101))


def test_groups_keep_the_order_and_unknown_values_together():
    table = sweep_table(list("abcd"), sample=["x", "y", "x", ""], setpoint_current_A=[1e-9, np.nan, 1e-9, np.nan])
    groups = group_sweeps(SweepSet("iv", [0, 1], np.zeros((4, 2)), table), ["sample", "setpoint_current_A"])
    assert [g.names for _, g in groups] == [["a", "c"], ["b"], ["d"]]
    assert groups[0][0] == {"sample": "x", "setpoint_current_A": 1e-9}
    with pytest.raises(ValueError, match="no column 'colour'"):
        group_sweeps(SweepSet("iv", [0, 1], np.zeros((4, 2)), table), ["colour"])
    assert len(group_sweeps(SweepSet("iv", [0, 1], np.zeros((4, 2)), table), [])) == 1


def test_mean_of_equal_curves_is_the_curve_for_every_kind():
    same = np.broadcast_to(CURVE, (5, 101))
    for kind in ("mean", "median", "geometric"):
        assert_allclose(average_units(same, kind).current, CURVE, atol=1e-24)


def test_log_normal_scatter_lifts_the_mean_and_not_the_others():
    """Scatter σ of ln I: mean/median = exp(σ²/2); for 50 pm at 4 eV σ = 1.0246 √4 · 0.5 = 1.02, so 1.69."""
    many = units(1.02, 1501)[:, ::10]
    top = -1
    middle = average_units(many, "median").current[top]
    assert average_units(many, "mean").current[top] / middle == pytest.approx(np.exp(1.02**2 / 2), rel=0.12)
    assert average_units(many, "geometric").current[top] / middle == pytest.approx(1, rel=0.05)
    assert mean_to_median(many) == pytest.approx(1.69, rel=0.12)
    assert mean_to_median(units(0.0, 20)) == pytest.approx(1, abs=0.01)
    assert np.isnan(mean_to_median(units(1.0, 4)))


def test_geometric_mean_is_that_of_scipy_away_from_zero_and_smooth_through_it():
    some = units(0.5, 9)
    found = average_units(some, "geometric").current
    assert_allclose(found[-20:], stats.gmean(some[:, -20:]), rtol=1e-9)
    assert np.abs(np.diff(found, 2))[45:56].max() < 2e-12
    with pytest.raises(ValueError, match="sweeps of one sign"):
        average_units(np.vstack([some, -3 * some[:2]]), "geometric")


@pytest.mark.parametrize("kind", ["mean", "median", "geometric"])
def test_scatter_of_the_influence_is_the_uncertainty(kind: str):
    """Against the spread of the average over 400 simulated groups of 25 (the median's is known to be some 5 % wide)."""
    averages, errors = [], []
    for seed in range(400):
        group = units(0.2, 25, seed=seed, noise=5e-12)[:, ::10]
        average = average_units(group, kind, seed=seed)
        averages.append(average.current)
        errors.append(average.influence.std(axis=0, ddof=1) / 5)
    true = np.std(averages, axis=0)
    ratio = np.sqrt(np.mean(np.square(errors), axis=0)) / true
    assert ratio.mean() == pytest.approx(1.06 if kind == "median" else 1, abs=0.08)


def test_the_influence_of_the_median_is_the_side_of_it_and_the_same_at_every_point():
    """It is a step, the sign of x - median (Huber and Ronchetti, Robust Statistics, 2009, from memory), however it is scaled."""
    values = np.random.default_rng(3).standard_normal((41, 1))
    influence = average_units(np.repeat(values, 600, axis=1), "median").influence
    assert_allclose(influence, np.repeat(influence[:, :1], 600, axis=1), atol=1e-12)
    assert np.corrcoef(influence[:, 0], np.sign(values[:, 0] - np.median(values)))[0, 1] > 0.8


def test_a_hole_is_filled_at_the_level_of_its_sweep():
    group = units(0.3, 6, noise=0.0)
    holed = group.copy()
    holed[2, 70:90] = np.nan
    filled = fill_missing(holed)
    assert_allclose(filled.current, group, atol=1e-22)
    assert filled.whole.sum() == 81
    assert filled.points.all()


def test_points_missing_in_every_sweep_are_left_out_and_nothing_left_is_an_error():
    group = units(0.1, 3)
    group[:, 10:20] = np.nan
    filled = fill_missing(group)
    assert filled.points.sum() == filled.current.shape[1] == 91
    with pytest.raises(ValueError, match="No usable sample"):
        fill_missing(np.full((2, 5), np.nan))


def test_unit_means():
    assert unit_means(np.array([[1.0], [3.0], [5.0]]), np.array([0, 0, 1])).tolist() == [[2.0], [5.0]]


@pytest.mark.parametrize("kind", ["mean", "geometric"])
def test_the_influences_average_to_the_average_and_scatter_like_the_logarithms(kind: str):
    """Delta method: the standard error of a geometric mean is the mean times that of the logarithms (scipy's gstd)."""
    group = units(0.4, 12, seed=4)[:, ::10]
    found = average_units(group, kind)
    assert_allclose(found.influence.mean(axis=0), found.current, rtol=1e-9, atol=1e-15)
    if kind == "geometric":
        top = group[:, -1]
        relative = found.influence[:, -1].std(ddof=1) / found.current[-1]
        assert_allclose(relative, np.log(stats.gstd(top)), rtol=1e-9)


def test_rows_of_codes_are_those_that_a_search_for_each_code_finds():
    codes = np.array([0, 1, 0, 2, 1, 0])
    assert [rows.tolist() for rows in rows_of_codes(codes)] == [
        np.flatnonzero(codes == code).tolist() for code in range(3)
    ]


def test_an_unknown_average_is_refused_with_those_that_there_are():
    with pytest.raises(ValueError, match="average is 'mode'; it must be 'mean', 'median' or 'geometric'"):
        average_units(units(0.1, 4), "mode")
