"""Tips on several height scales: what does not cancel from their ratio, by hand and by simulation."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from comparing.examples import make_repeats

from sts.comparing.calibration import Calibration
from sts.comparing.pairs import compare_pairs
from sts.comparing.scales import scale_parts, with_scales, with_total_interval
from sts.comparing.sites_and_tips import BARRIER_PER_NM2, site_level, tip_level


def test_a_tip_has_a_share_of_each_scale_by_its_sites() -> None:
    sites = pd.DataFrame({"sample": "", "tip": list("aaaabb"), "barrier_eV": 4.0})
    parts = scale_parts(sites, np.array([0, 0, 0, 1, 1, 1]), np.array([0.01, 0.04]))
    assert parts.tolist() == [[pytest.approx(0.0075), pytest.approx(0.01)], [0.0, pytest.approx(0.04)]]
    tips = pd.DataFrame({"barrier_eV": [4.0, 4.0], "barrier_se_eV": [0.0, 0.3]})
    known = with_scales(tips, parts, np.array([True, True]))
    assert known["calibration_se_eV"].tolist() == pytest.approx([8 * 0.0125, 0.32])  # twice the scale, GUM 5.1.6
    assert with_scales(tips, parts, np.array([True, False]))["calibration_se_eV"].isna().all()


def test_the_total_interval_is_that_of_a_combined_uncertainty_and_empty_without_a_scale() -> None:
    """Slope 20 ± 0.3 and a scale known to 2 % (0.4): together ± 0.5, by GUM 5.1.2; t of infinite degrees of freedom."""
    tips = pd.DataFrame({"decay_per_nm": [20.0, 20.0], "decay_se_per_nm": 0.3, "decay_common_per_nm": 0.0, "dof": np.inf,
                         "barrier_high_eV": [4.0, np.nan]})  # fmt: skip
    parts, scale = np.full((2, 1), 0.02), Calibration(1.0, 0.02, "step")
    found = with_total_interval(tips, parts, [scale])
    assert found["total_low_eV"].iloc[0] == pytest.approx(BARRIER_PER_NM2 * (20 - 1.95996 * 0.5) ** 2)
    assert found["total_high_eV"].iloc[0] == pytest.approx(BARRIER_PER_NM2 * (20 + 1.95996 * 0.5) ** 2)
    assert np.isnan(found["total_high_eV"].iloc[1])  # one site: it has no interval
    wider = with_total_interval(tips, parts, [replace(scale, dof=2.0)])
    assert wider["total_high_eV"].iloc[0] > found["total_high_eV"].iloc[0]
    assert with_total_interval(tips, parts, [None])["total_low_eV"].isna().all()


def test_ratios_of_tips_on_different_scales_hold_the_scales_and_on_one_scale_do_not() -> None:
    """Each scale 3 % off at random: an interval without it would hold far less than its 95 %."""
    rng, trials = np.random.default_rng(5), 60
    tables = [make_repeats({"a": 4.4, "b": 4.4}, site_sd=0.01, seed=k).assign(sample=str(k)) for k in range(trials)]
    rows = pd.concat(tables, ignore_index=True)
    scale = 1 + 0.03 * rng.normal(size=2 * trials)
    moved = rows.assign(decay_per_nm=rows["decay_per_nm"] * scale[pd.factorize(rows["sample"] + rows["tip"])[0]])
    sites = site_level(moved)
    tips = tip_level(sites)
    number, u = (sites["tip"] == "b").to_numpy(int), np.full(2, 0.03)
    apart, one, plain = (
        compare_pairs(tips, scales=parts)
        for parts in (scale_parts(sites, number, u), scale_parts(sites, 0 * number, u), None)
    )
    held, without = (((t["ratio_low"] <= 1) & (t["ratio_high"] >= 1)).sum() for t in (apart, plain))
    assert held >= 0.88 * trials
    assert without < 0.6 * trials
    assert one["ratio_high"].to_numpy() == pytest.approx(plain["ratio_high"].to_numpy(), rel=1e-12)
