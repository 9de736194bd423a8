"""Groups of tips against published examples of Welch's test, and what is refused."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from sts.comparing import compare_groups
from sts.comparing.groups import permutation_p, smallest_attainable_p, welch_anova

# scipy's test of Welch's one-way test, benchmark from R's oneway.test (seen).
WELCH = [
    np.array([-50.42, 40.31, -18.09, 35.58, -6.8, 0.22]),
    np.array([23.44, 4.5, 15.1, 9.66]),
    np.array([11.94, 11.1, 9.87, 9.09, 3.33]),
]


def test_welch_f_agrees_with_the_published_example():
    f, dof, dof_within, p = welch_anova(WELCH)
    assert_allclose(f, 0.609740409019517, rtol=1e-12)  # welch_F
    assert_allclose(p, 0.574838941286302, rtol=1e-11)  # welch_p
    assert_allclose(dof_within, 5.82989489377, rtol=1e-10)  # welch_df
    assert dof == 2


def test_welch_f_of_mussel_shells():
    """J. H. McDonald, Handbook of Biological Statistics (data seen); Welch's values from his formula (1951)."""
    shells = [
        [0.0571, 0.0813, 0.0831, 0.0976, 0.0817, 0.0859, 0.0735, 0.0659, 0.0923, 0.0836],
        [0.0873, 0.0662, 0.0672, 0.0819, 0.0749, 0.0649, 0.0835, 0.0725],
        [0.0974, 0.1352, 0.0817, 0.1016, 0.0968, 0.1064, 0.105],
        [0.1033, 0.0915, 0.0781, 0.0685, 0.0677, 0.0697, 0.0764, 0.0689],
        [0.0703, 0.1026, 0.0956, 0.0973, 0.1039, 0.1045],
    ]
    f, _, dof_within, p = welch_anova([np.array(s) for s in shells])
    assert_allclose([f, dof_within, p], [5.66447949462, 15.6954604628, 0.00507964819227], rtol=1e-9)  # mussel_WF


def test_two_groups_are_welchs_t_squared():
    reference = stats.ttest_ind(WELCH[0], WELCH[1], equal_var=False)
    f, _, dof_within, p = welch_anova(WELCH[:2])
    assert_allclose([f, dof_within, p], [reference.statistic**2, reference.df, reference.pvalue], rtol=1e-10)


@pytest.mark.parametrize(("size", "p"), [(3, 0.10), (4, 2 / 70), (5, 2 / 252)])
def test_smallest_attainable_p_is_reached_by_complete_separation(size: int, p: float):
    """0.10, 0.029, 0.008: twice one over the binomial coefficient (counting)."""
    assert_allclose(smallest_attainable_p([size, size]), p)
    apart = [np.arange(size) + 0.1, 100.0 + np.arange(size)]
    assert_allclose(permutation_p(apart), p)


def test_smallest_attainable_p_of_unequal_and_of_three_groups():
    assert_allclose(smallest_attainable_p([3, 4]), 1 / 35)
    assert_allclose(permutation_p([np.array([1.0, 2, 3]), np.array([50.0, 51, 52, 53])]), 1 / 35)
    assert_allclose(smallest_attainable_p([3, 3, 3]), 6 / 1680)


def test_permutation_of_two_groups_agrees_with_scipy():
    a, b = np.array([1.2, 3.1, 2.2, 4.0]), np.array([2.9, 5.1, 4.4, 3.9])
    reference = stats.permutation_test(
        (a, b), lambda x, y, axis=-1: np.mean(x, axis) - np.mean(y, axis), n_resamples=1e6
    )
    assert_allclose(permutation_p([a, b]), reference.pvalue, rtol=1e-12)


def _tips(cut: list[float], etched: list[float]) -> pd.DataFrame:
    barriers = [*cut, *etched]
    return pd.DataFrame(
        {
            "sample": "gold",
            "tip": [f"tip {i}" for i in range(len(barriers))],
            "barrier_eV": barriers,
            "made_by": ["cut"] * len(cut) + ["etched"] * len(etched),
        }
    )


def test_interval_of_the_ratio_comes_with_exact_test_and_smallest_p():
    result = compare_groups(_tips([3.9, 4.1, 4.0], [4.9, 5.1, 5.0]), "made_by")
    ratio, permutation = result.tests.iloc[0], result.tests.iloc[-1]
    assert ratio["ratio_low"] < 4 / 5 < ratio["ratio_high"] < 1
    assert_allclose(permutation["p"], 0.1)
    assert_allclose(permutation["smallest_attainable_p"], 0.1)
    assert any("cannot give less than p = 0.1" in note for note in result.notes)
    assert_allclose(result.groups["barrier_eV"], [stats.gmean([3.9, 4.1, 4.0]), stats.gmean([4.9, 5.1, 5.0])])
    assert list(result.groups["tips"]) == [3, 3]


def test_fewer_than_three_tips_is_no_test_however_far_apart():
    result = compare_groups(_tips([0.7, 0.71], [4.9, 5.1, 5.0]), "made_by")
    assert result.tests.empty
    assert any("too few tips in cut (2)" in note for note in result.notes)
    assert len(result.groups) == 2


def test_three_groups_are_tested_together_and_in_pairs():
    tips = _tips([3.9, 4.1, 4.0, 4.2, 3.8], [4.9, 5.1, 5.0]).assign(made_by=["a", "a", "a", "b", "b", "b", "b", "b"])
    tips.loc[5:, "made_by"] = "c"
    tips = pd.concat([tips, pd.DataFrame({"sample": ["gold"], "tip": ["x"], "barrier_eV": [4.3], "made_by": ["b"]})])
    tests = compare_groups(tips, "made_by").tests
    assert tests["test"].str.contains("Welch F").sum() == 1
    assert tests["ratio"].notna().sum() == 3


def test_column_that_is_missing_or_names_one_group_is_refused():
    with pytest.raises(ValueError, match="no column 'wire' with one value a tip"):
        compare_groups(_tips([4.0], [5.0]), "wire")
    with pytest.raises(ValueError, match="names 1 group"):
        compare_groups(_tips([4.0, 4.1, 4.2], []), "made_by")


@pytest.mark.parametrize(
    ("by", "words"),
    [("barrier_eV", "'barrier_eV' is a result, not a property"), ("sample", "Tips are compared within a sample")],
)
def test_what_is_no_property_of_tips_makes_no_groups(by, words):
    with pytest.raises(ValueError, match=f"{words}.*; there is made_by"):
        compare_groups(_tips([4.0, 4.1], [5.0, 5.1]), by)


def test_tips_without_an_entry_are_left_out_and_counted():
    tips = _tips([3.9, 4.1, 4.0], [4.9, 5.1, 5.0])
    tips.loc[0, "made_by"] = ""
    notes = compare_groups(tips, "made_by").notes
    assert any("1 of 6 tips have no entry" in note for note in notes)
