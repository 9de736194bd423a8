"""Sweeps of very many points: the blocks they are smoothed on, and that smoothing on them says the same."""

from __future__ import annotations

import tracemalloc
from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from sts.analysis.spectra import SpectraOf
from sts.curves import make_smoother
from sts.plan import Plan
from sts.spectra import blocks_of_points, judge_iv
from sts.spectra.blocks_of_points import block_words, in_blocks
from sts.spectra.faults.start_transient import find_start_transients
from sts.sweeps import SweepSet, sweep_table


def sweeps(points: int, count: int = 4) -> SweepSet:
    bias = np.linspace(-0.5, 0.5, points)
    noise = np.random.default_rng(1).normal(scale=2e-12, size=(count, points))
    table = sweep_table(
        [f"r{i}" for i in range(count)], sample="gold", tip="heron", site="1", direction=["up", "down"] * (count // 2)
    )
    return SweepSet("iv", bias, 1e-9 * (bias + 2 * bias**3) + noise, table)


def test_blocks_are_means_a_line_keeps_its_values_and_few_points_stay():
    one = sweeps(103)
    found = in_blocks(one, 30)
    assert found.axis.size == 26
    assert_allclose(found.current[:, 3], one.current[:, 12:16].mean(axis=1), rtol=1e-12)
    assert_allclose(found.axis[3], one.axis[12:16].mean(), rtol=1e-12)
    assert_allclose(found.axis[-1], one.axis[100:].mean(), rtol=1e-12)  # three of four are more than half
    assert in_blocks(sweeps(101), 30).axis.size == 25  # a single one left over is not
    assert in_blocks(one, 103) is one
    assert block_words(one, 103) == []
    assert block_words(one, 30) == [
        "Of sweeps of 103 points 4 neighbouring ones (39.2 mV) are averaged before they are smoothed."
    ]


def test_a_block_with_a_missing_sample_is_missing():
    one = sweeps(40)
    one.current[1, 5] = np.nan
    assert_array_equal(np.flatnonzero(np.isnan(in_blocks(one, 10).current[1])), [1])


@pytest.mark.parametrize("width_mV", [20, 60])
def test_the_derivative_on_blocks_is_that_of_all_points(width_mV):
    """The operator of all points against that of a fifth of them: the same curve within 1 %, the same noise within 10 %."""
    one = sweeps(2000)
    dense = make_smoother(one.axis, width_V=width_mV * 1e-3)
    short = in_blocks(one, 400)
    coarse = make_smoother(short.axis, width_V=width_mV * 1e-3)
    inner = slice(40, -40)
    curve = replace(one, current=np.broadcast_to(1e-9 * (one.axis + 2 * one.axis**3), one.current.shape))
    slope = np.interp(short.axis, one.axis, dense.differentiate(curve.current)[0])
    assert_allclose(coarse.differentiate(in_blocks(curve, 400).current)[0, inner], slope[inner], rtol=0.01)
    noise = np.interp(short.axis, one.axis, dense.noise_gain)
    assert_allclose(coarse.noise_gain[inner] / np.sqrt(5), noise[inner], rtol=0.1)  # of means of five points
    assert coarse.width == pytest.approx(dense.width, rel=0.05)


def test_an_analysis_of_very_many_points_says_that_it_averaged_them(monkeypatch):
    one, plan = sweeps(600), Plan()
    monkeypatch.setattr(in_blocks, "__defaults__", (150,))
    monkeypatch.setattr(block_words, "__defaults__", (150,))
    one = one.with_table(one.table.assign(unassigned=""))
    found = SpectraOf((one,), judge_iv(one), plan).summarise(frozenset(one.names), None, ())
    assert found.spectra[0].bias.size == 150
    assert found.notes[0].startswith("Of sweeps of 600 points 4 neighbouring ones (6.68 mV)")
    assert blocks_of_points.MOST_POINTS == 4096


def test_judging_takes_no_table_of_the_square_of_the_points():
    """A step was compared at each place with such a table: 72 MB at 3,000 points, 8 TB at a million."""
    one = sweeps(3000, 2)
    tracemalloc.start()
    find_start_transients([one])
    highest = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert highest < 0.5 * 8 * 3000**2
