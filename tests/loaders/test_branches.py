"""An axis that turns is split into its runs, and nothing but noise is sorted."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from sts.loaders.branches import _directions, _turns_of, average_repeats, split_branches

UP = np.linspace(-1, 1, 21)


def runs(axis, breaks=()):
    return [
        (np.asarray(axis)[b.place][0], np.asarray(axis)[b.place][-1], b.sign, b.size)
        for b in split_branches(np.asarray(axis, float), breaks)
    ]


@given(st.integers(3, 60), st.integers(1, 4), st.booleans(), st.booleans())
def test_there_and_back_any_number_of_times(points, cycles, twice, starts_down):
    there = np.linspace(0, 1, points)
    one_way = [there if (k % 2 == 0) != starts_down else there[::-1] for k in range(2 * cycles)]
    axis = np.concatenate([one_way[0], *(part if twice else part[1:] for part in one_way[1:])])
    found = split_branches(axis)
    assert [b.sign for b in found] == [(1 if (k % 2 == 0) != starts_down else -1) for k in range(2 * cycles)]
    for b in found:
        assert_array_equal(axis[b.place], there)  # each run is whole, in ascending order


def test_turning_value_recorded_twice_is_shared_out_and_once_is_shared():
    assert [r[3] for r in runs([0, 1, 2, 3, 3, 2, 1, 0])] == [4, 4]
    assert [r[3] for r in runs([0, 1, 2, 3, 2, 1, 0])] == [4, 4]


def test_from_zero_down_up_and_back():
    axis = np.concatenate([np.linspace(0, -2, 21), np.linspace(-2, 2, 41)[1:], np.linspace(2, 0, 21)[1:]])
    assert runs(axis) == [(-2, 0, -1, 21), (-2, 2, 1, 41), (0, 2, -1, 21)]


def test_jump_back_to_the_start_is_no_run():
    assert runs(np.tile(UP, 3)) == [(-1, 1, 1, 21)] * 3


def test_empty_line_ends_a_run_only_where_the_axis_starts_again():
    assert len(runs(np.tile([0.0, 1.0], 2), breaks=(2,))) == 2
    assert len(runs(UP, breaks=(3, 10))) == 1


@pytest.mark.parametrize("noise", [0.2, 0.6])
def test_noise_of_a_measured_axis_makes_no_turns(noise):
    step = 2 / 400
    axis = np.linspace(-1, 1, 401) + noise * step * 2 * np.random.default_rng(4).normal(size=401)
    (only,) = split_branches(np.concatenate([axis]))
    assert only.sign == 1
    assert not only.steady
    assert (np.diff(axis[only.place]) >= 0).all()
    there_and_back = np.concatenate([axis, axis[::-1]])
    assert [b.sign for b in split_branches(there_and_back)] == [1, -1]


def test_axis_without_sense_is_said():
    with pytest.raises(ValueError, match="turns 98 times within 100 points"):
        split_branches(np.tile([0.0, 1.0], 50))


def test_constant_axis_has_no_runs():
    assert split_branches(np.ones(5)) == []


def test_repeats_are_averaged_and_missing_samples_passed_over():
    axis, signals, repeats = average_repeats(
        np.array([0.0, 0.0, 1.0, 2.0, 2.0]), np.array([[1.0, 3.0, 5.0, np.nan, 7.0], [np.nan, np.nan, 1.0, 2.0, 4.0]])
    )
    assert repeats == 2
    assert_allclose(axis, [0, 1, 2])
    assert_allclose(signals, [[2, 5, 7], [np.nan, 1, 3]])


@pytest.mark.parametrize("seed", range(50))
def test_values_in_no_order_are_one_run_in_order(seed):
    axis = np.random.default_rng(seed).permutation(np.linspace(0, 1, 46))
    (only,) = split_branches(axis)
    assert only.shuffled
    assert_array_equal(axis[only.place], np.linspace(0, 1, 46))


def test_sweeps_that_follow_each_other_are_not_taken_for_disorder():
    assert len(split_branches(np.tile(np.arange(6.0), 8) + np.repeat(np.arange(8) * 1e-3, 6))) == 8


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("together", [True, False])
def test_values_in_no_order_each_measured_twice_are_one_sweep(seed, together):
    values = np.random.default_rng(seed).permutation(np.linspace(0, 1, 26))
    axis = np.repeat(values, 2) if together else np.random.default_rng(seed).permutation(np.tile(values, 2))
    (only,) = split_branches(axis)
    assert only.shuffled
    assert_array_equal(axis[only.place], np.sort(axis))


def test_a_value_that_returns_to_zero_between_is_sorted_too():
    axis = np.ravel(np.column_stack([np.zeros(12), np.arange(1, 13)]))
    (only,) = split_branches(axis)
    assert only.shuffled


def test_turns_are_those_that_a_walk_along_the_axis_finds():
    """Plateaus of any length, at the start, at the end and at a turn; outside reference: a loop over the steps that move."""
    rng = np.random.default_rng(3)
    for axis in (rng.integers(0, 4, rng.integers(2, 14)).astype(float) for _ in range(500)):
        expected, last, last_row = [], 0.0, 0
        for row, step in enumerate(np.diff(axis)):
            if step and last * step < 0:
                expected.append(last_row + 1)
            if step:
                last, last_row = step, row
        assert _turns_of(_directions(axis)) == expected
