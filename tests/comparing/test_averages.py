"""Mean slope and typical site: closed forms, and that a log-normal scatter is told."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from sts.comparing import site_level, tip_level
from sts.comparing.averages import GEOMETRIC, MEAN, average_notes, barrier_of, from_logs, in_logs


def repeats_of(slopes: list[float], tip: str = "a") -> pd.DataFrame:
    count = len(slopes)
    return pd.DataFrame({"sample": "S", "tip": tip, "site": range(count), "repeat": 0, "decay_per_nm": slopes,
                         "decay_se_per_nm": 0.001, "dof": 50.0, "sweeps": 2})  # fmt: skip


def test_the_geometric_mean_is_that_of_the_slopes_with_the_t_interval_of_their_logarithms() -> None:
    slopes = [8.0, 9.0, 13.0, 7.0, 16.0]
    table = repeats_of(slopes)
    tip = tip_level(site_level(table, average=GEOMETRIC), average=GEOMETRIC).iloc[0]
    assert tip["decay_per_nm"] == pytest.approx(stats.gmean(slopes))
    assert tip["barrier_eV"] == pytest.approx(float(barrier_of(stats.gmean(slopes))))
    ends = stats.t.interval(0.95, 4, np.mean(np.log(slopes)), stats.sem(np.log(slopes)))
    assert [tip["barrier_low_eV"], tip["barrier_high_eV"]] == pytest.approx(list(barrier_of(np.exp(ends))), rel=1e-4)
    assert tip["average"] == GEOMETRIC
    mean = tip_level(site_level(table)).iloc[0]
    assert mean["decay_per_nm"] == pytest.approx(np.mean(slopes))
    assert mean["average"] == MEAN


def test_where_both_means_agree_so_do_their_uncertainties() -> None:
    table = repeats_of([20.0, 20.2, 19.9, 20.1])
    one, other = (tip_level(site_level(table, average=name), average=name).iloc[0] for name in (MEAN, GEOMETRIC))
    names = [
        "barrier_eV",
        "barrier_se_eV",
        "barrier_low_eV",
        "barrier_high_eV",
        "between_site_sd_eV",
        "decay_se_per_nm",
    ]
    assert one[names].to_numpy(float) == pytest.approx(other[names].to_numpy(float), rel=0.01)


def test_slopes_go_to_the_scale_of_logarithms_and_back() -> None:
    table = repeats_of([4.0, 9.0, 12.0]).assign(decay_common_per_nm=0.1)
    turned, typical = in_logs(table, np.zeros(3, int), GEOMETRIC)
    assert turned["decay_per_nm"].mean() == pytest.approx(typical[0])
    assert from_logs(turned["decay_per_nm"], typical) == pytest.approx([4, 9, 12])
    assert turned["decay_se_per_nm"].iloc[0] == pytest.approx(0.001 * stats.gmean([4, 9, 12]) / 4)


def test_a_slope_without_a_logarithm_leaves_the_tip_its_mean_and_says_so() -> None:
    table = pd.concat([repeats_of([8.0, -1.0, 9.0]), repeats_of([8.0, 16.0, 9.0], "b")])
    tips = tip_level(site_level(table, average=GEOMETRIC), average=GEOMETRIC).set_index("tip")
    assert tips["average"].tolist() == [MEAN, GEOMETRIC]
    assert tips.loc["a", "decay_per_nm"] == pytest.approx(16 / 3, rel=1e-3)
    assert "has no logarithm" in tips.loc["a", "note"]
    with pytest.raises(ValueError, match="'median' is no average; there is mean and geometric mean"):
        site_level(table, average="median")


def test_scatter_that_makes_the_mean_matter_is_told() -> None:
    wide, narrow = repeats_of([6.0, 9.0, 14.0, 20.0]), repeats_of([20.0, 20.2, 19.9], "b")
    sites = site_level(pd.concat([wide, narrow]))
    (note,) = average_notes(tip_level(sites), sites)
    more = 100 * ((np.mean([6, 9, 14, 20]) / stats.gmean([6, 9, 14, 20])) ** 2 - 1)
    assert f"The typical site (geometric mean) reads {100 * (1 - 1 / (1 + more / 100)):.0f} % less" in note
    assert 'compare.average = "geometric mean"' in note
    typical = average_notes(
        tip_level(site_level(wide, average=GEOMETRIC), average=GEOMETRIC), site_level(wide, average=GEOMETRIC)
    )
    assert f"The mean slope gives {more:.0f} % more" in typical[0]
