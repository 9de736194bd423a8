"""Tips on several height scales: what does not cancel from their ratio, by hand and by simulation."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from comparing.examples import make_repeats

from sts.comparing.pairs import compare_pairs
from sts.comparing.scales import scale_parts, with_scales
from sts.comparing.sites_and_tips import site_level, tip_level


def test_a_tip_has_a_share_of_each_scale_by_its_sites() -> None:
    sites = pd.DataFrame({"sample": "", "tip": list("aaaabb"), "barrier_eV": 4.0})
    parts = scale_parts(sites, np.array([0, 0, 0, 1, 1, 1]), np.array([0.01, 0.04]))
    assert parts.tolist() == [[pytest.approx(0.0075), pytest.approx(0.01)], [0.0, pytest.approx(0.04)]]
    tips = pd.DataFrame({"barrier_eV": [4.0, 4.0], "barrier_se_eV": [0.0, 0.3]})
    known = with_scales(tips, parts, np.array([True, True]))
    assert known["calibration_se_eV"].tolist() == pytest.approx([8 * 0.0125, 0.32])  # twice the scale, GUM 5.1.6
    assert with_scales(tips, parts, np.array([True, False]))["calibration_se_eV"].isna().all()


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
