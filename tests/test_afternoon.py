"""Afternoons in air as studies draw them: of the sizes that are promised, with decays that the sweeps really have."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pytest
from _afternoon import afternoon, draw_bench
from numpy.testing import assert_allclose

from sts.simulate import Bench


def test_without_faults_every_sweep_has_the_decay_of_its_truth():
    """A straight line through ln I by numpy gives it back."""
    for seed in range(5):
        drawn = afternoon(seed, bench=Bench())
        slopes = -np.polyfit(drawn.sweeps.axis * 1e9, np.log(drawn.sweeps.current).T, 1)[0]
        assert_allclose(slopes, drawn.sweep_decay, rtol=1e-8)
        table = drawn.sweeps.table
        assert_allclose([drawn.site_decay[t, s] for t, s in zip(table["tip"], table["site"], strict=True)], slopes)
        assert set(drawn.tip_decay) == set(table["tip"])


def test_afternoons_are_as_large_as_is_said():
    drawn = [afternoon(seed) for seed in range(150)]
    assert {len(d.sweeps) for d in drawn} == set(range(7, 31))
    assert {len(d.tip_decay) for d in drawn} == {1, 2, 3}
    sites = [d.sweeps.table.groupby("tip")["site"].nunique().max() for d in drawn]
    assert set(sites) == {1, 2, 3, 4}
    assert 0.7 < min(d.decades for d in drawn) < 0.8
    assert 1.9 < max(d.decades for d in drawn) < 2
    humps = np.concatenate([d.hump for d in drawn])
    assert abs(humps.mean() - 0.3) < 4 * np.sqrt(0.21 / humps.size)
    settling = np.concatenate([d.settling for d in drawn if d.bench.settling_samples])
    assert set(settling) == set(range(6))
    assert abs(np.mean([d.bench.ripple_A > 0 for d in drawn]) - 0.4) < 0.16
    offsets = np.array([d.bench.current_offset_A for d in drawn])
    assert abs(offsets).max() < 20e-12
    assert_allclose(offsets.std(), 20e-12 / np.sqrt(3), rtol=0.15)  # of a uniform law


def test_tips_and_sites_scatter_as_is_said():
    """15 % from tip to tip, 6 % from site to site of a tip: standard deviations of the logarithm."""
    drawn = [afternoon(seed, sites=2) for seed in range(300)]
    tips = [np.log(list(d.tip_decay.values())) for d in drawn]
    within = np.concatenate([t - t.mean() for t in tips])
    assert_allclose(np.sqrt((within**2).sum() / sum(t.size - 1 for t in tips)), 0.15, rtol=0.12)
    sites = [np.log(value / d.tip_decay[tip]) for d in drawn for (tip, _), value in d.site_decay.items()]
    assert_allclose(np.std(sites), 0.06, rtol=0.1)


def test_tips_can_be_given_and_the_seed_makes_the_same_again():
    drawn = afternoon(3, tip_factors=(1.0, 1.4**0.5), sites=4)
    assert_allclose(drawn.tip_decay["T2"] ** 2 / drawn.tip_decay["T1"] ** 2, 1.4)  # barriers go as decays squared
    again = afternoon(3, tip_factors=(1.0, 1.4**0.5), sites=4)
    assert np.array_equal(drawn.sweeps.current, again.sweeps.current)
    assert drawn.bench == again.bench
    with pytest.raises(ValueError, match="above 0"):
        afternoon(3, tip_factors=(1.0, 0.0))


def test_the_bench_differs_from_afternoon_to_afternoon():
    benches = [draw_bench(np.random.default_rng(seed)) for seed in range(40)]
    for name in ("white_A", "gap_noise", "current_offset_A", "hump_size", "hump_width", "settling_factor"):
        assert len({getattr(bench, name) for bench in benches}) == 40
    always = {f.name for f in fields(Bench) if len({getattr(b, f.name) for b in benches}) == 1}
    assert {"full_scale_A", "hump_share", "gap_noise_slope"} <= always
