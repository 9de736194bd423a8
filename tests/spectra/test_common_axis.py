"""Sweeps of different axes on one: lines pass, a shift is linear interpolation, noise and width are those of the operator."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from spectra.bench import ideal

from sts.analysis.spectra import SpectraOf
from sts.curves.crossings import full_width
from sts.flags import no_flags
from sts.plan import Plan
from sts.spectra.common_axis import (
    NOISE,
    WIDTH,
    added_width,
    axis_words,
    common_points,
    on_common_axis,
    onto,
    width_of,
    with_triangle,
)
from sts.sweeps import SweepSet

COARSE, FINE = np.linspace(-1.2, 1.2, 101), np.linspace(-1.1, 1.15, 161)


def named(sets: list[SweepSet]) -> list[SweepSet]:
    """Names and repeats of their own."""
    return [
        s.with_table(
            s.table.assign(sweep=[f"{i}_{n}" for n in s.names], repeat=s.table["repeat"] + 10 * i, unassigned="")
        )
        for i, s in enumerate(sets)
    ]


SETS = named([ideal(sweeps=2, bias=(-1.2, 1.2, 101)).sweeps, ideal(sweeps=2, bias=(-1.1, 1.15, 161)).sweeps])


def test_the_points_are_those_of_the_coarsest_within_all():
    points = common_points([COARSE, FINE])
    assert set(points) <= set(COARSE)
    assert points[0] >= -1.1
    assert points[-1] <= 1.15
    assert points[0] - 0.024 < -1.1


@pytest.mark.parametrize("other", [np.linspace(0.5, 2.0, 80), np.linspace(-0.01, 0.01, 80)], ids=["apart", "within"])
def test_axes_that_share_too_little_are_refused(other):
    with pytest.raises(ValueError, match="share less than half"):
        common_points([COARSE, other])


@pytest.mark.parametrize(
    "axis", [COARSE, FINE, COARSE + 0.007, COARSE**3 / 1.44], ids=["itself", "finer", "shifted", "uneven"]
)
def test_straight_lines_pass_unchanged(axis):
    points = common_points([COARSE, axis]) if axis is not FINE else common_points([COARSE, FINE])
    operator = onto(axis, points)
    assert_allclose(operator @ (2 - 3 * axis), 2 - 3 * points, atol=1e-12)


def test_a_shift_is_linear_interpolation_and_no_shift_nothing():
    """numpy.interp is the outside reference."""
    points = COARSE[5:-5]
    curve = np.cos(3 * COARSE)
    assert_allclose(onto(COARSE, points) @ curve, curve[5:-5], atol=1e-12)
    shifted = COARSE + 0.007
    assert_allclose(
        onto(shifted, points) @ np.cos(3 * shifted), np.interp(points, shifted, np.cos(3 * shifted)), atol=1e-12
    )


def test_the_added_width_is_that_of_the_triangle_of_one_step_for_all_shifts():
    """Linear interpolation spreads a step, met anywhere, over a triangle of one step at half height."""
    step = COARSE[1] - COARSE[0]
    points, shifts = COARSE[5:-5], np.linspace(0, step, 50, endpoint=False)
    squares = [added_width(onto(COARSE + s, points), COARSE + s, points) ** 2 for s in shifts]
    assert_allclose(np.sqrt(np.mean(squares)), step, rtol=0.01)
    assert added_width(onto(COARSE, COARSE), COARSE, COARSE) == 0
    assert_allclose(added_width(onto(FINE, COARSE[10:-10]), FINE, COARSE[10:-10]), step, rtol=0.1)


def test_a_kernel_is_convolved_with_the_triangle():
    """Two triangles of one width make a cubic spline, at half height 1.44 of one step (from solving its cubic)."""
    x = np.linspace(-1, 1, 201)
    kernel = (x, np.maximum(1 - np.abs(x), 0))
    offsets, density = with_triangle(kernel, 1.0)
    assert_allclose(density.sum() * (offsets[1] - offsets[0]), 1, rtol=1e-3)
    spline = lambda u: 2 / 3 - u**2 + u**3 / 2  # noqa: E731 - for u up to 1
    half = np.interp(-1 / 3, -spline(np.linspace(0, 1, 10001)), np.linspace(0, 1, 10001))
    assert_allclose(full_width(offsets, density), 2 * half, rtol=1e-3)
    assert with_triangle(kernel, np.nan) is kernel


def test_missing_and_limited_samples_are_missing_on_the_new_axis():
    current = SETS[1].current.copy()
    current[0, 80] = np.nan
    current[1, 150:] = current[1, 150]  # at a limit
    whole = on_common_axis([SETS[0], replace(SETS[1], current=current)])
    there = np.isfinite(whole.current)
    assert there[: len(SETS[0])].all()
    missing = whole.axis[~there[len(SETS[0])]]
    assert missing.size in (2, 3)
    assert np.all(np.abs(missing - SETS[1].axis[80]) < 0.03)
    assert not there[len(SETS[0]) + 1, whole.axis > SETS[1].axis[150]].any()


def test_the_noise_is_white_noise_of_the_same_density():
    """A mean over wide windows has the variance of white noise with the column's deviation; 400 sweeps: 4 %, three times."""
    rng = np.random.default_rng(1)
    table = pd.DataFrame({"sweep": [f"n{i}" for i in range(400)], "full_scale_A": np.nan})
    noise = SweepSet("iv", FINE, 1e-12 * rng.standard_normal((400, FINE.size)), table)
    coarse = SweepSet("iv", COARSE, rng.standard_normal((1, COARSE.size)), table.iloc[:1].assign(sweep="c"))
    whole = on_common_axis([coarse, noise])
    means = whole.current[1:].mean(axis=1)
    assert_allclose(means.std() * np.sqrt(whole.axis.size), whole.table[NOISE][1:].mean(), rtol=0.12)


def spectra_of(plan: dict[str, object], sets: list[SweepSet]):
    settings = Plan.model_validate({"spectra": {"by": ["sample"], **plan}})
    return SpectraOf(tuple(sets), no_flags(), settings, over_tips=False).summarise(
        [n for s in sets for n in s.names], None, ()
    )


def test_a_group_of_two_axes_has_one_spectrum_where_the_plan_says_so():
    apart = spectra_of({}, SETS)
    assert len(apart.spectra) == 2
    assert 'nothing is interpolated unless the plan says spectra.axis = "common"' in " ".join(apart.notes)
    together = spectra_of({"axis": "common"}, SETS)
    (one,) = together.spectra
    assert len(one.sweeps) == 8
    assert one.resolution.axis_V == pytest.approx(width_of(on_common_axis(SETS)))
    assert one.resolution.total_V > replace(one.resolution).smoothing_V
    assert together.summary["axis_meV"].iloc[0] == pytest.approx(1e3 * one.resolution.axis_V)
    assert axis_words(SETS, on_common_axis(SETS)) in " ".join(together.notes)
    assert "2 different bias axes (101, 161 points)" in " ".join(together.notes)


def test_one_axis_is_left_as_it_is():
    (own,), (common,) = (spectra_of(plan, SETS[:1]).spectra for plan in ({}, {"axis": "common"}))
    assert_allclose(own.didv, common.didv, rtol=0)
    assert np.isnan(common.resolution.axis_V)


def test_two_repeats_stay_apart_and_the_reason_is_told():
    few = [s.select([0, 1]) for s in SETS]
    found = spectra_of({"axis": "common"}, few)
    assert len(found.spectra) == 2
    assert "2 repeats in all" in " ".join(found.notes)


def test_the_columns_are_those_of_each_sweep():
    whole = on_common_axis(SETS)
    assert (whole.table[WIDTH][: len(SETS[0])] == 0).all()
    assert (whole.table[WIDTH][len(SETS[0]) :] > 0.02).all()


def test_fewer_than_eleven_shared_points_are_refused_and_rounding_costs_no_point():
    coarse = np.linspace(-1, 1, 11)
    fine = np.linspace(-1, 1, 201) * (1 - 1e-8)  # its ends are within by rounding
    assert_allclose(common_points([coarse, fine]), coarse)
    with pytest.raises(ValueError, match="has 10 points within all of them, and 11 are needed"):
        common_points([coarse, fine[5:]])
    with pytest.raises(ValueError, match="has 9 points"):
        common_points([coarse, np.linspace(-1, 1, 201) * (1 - 1e-6)])
