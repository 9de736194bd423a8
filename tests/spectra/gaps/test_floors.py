"""Floors of gaps: found where they were put, and doubted where there is none."""

from __future__ import annotations

import numpy as np
import pytest

from sts.spectra.gaps.floors import find_floor, floor_doubt, level_at_ends

V = np.linspace(-1.5, 1.5, 301)
GAP = np.clip(np.abs(V) - 0.5, 0.0, None)


def test_the_level_is_the_lower_of_both_ends():
    assert level_at_ends(np.r_[np.full(20, 3.0), np.zeros(60), np.full(20, 2.0)]) == 2.0


@pytest.mark.parametrize("states", [0.0, 0.5], ids=["empty", "with a state at zero"])
def test_the_floor_lies_between_the_edges_and_states_in_it_do_not_end_it(states):
    curve = GAP + states * np.exp(-((V / 0.04) ** 2))
    floor = find_floor(V, curve, level_at_ends(curve))
    assert floor is not None
    assert -0.5 < floor.middle[0] < floor.middle[1] < 0.5
    for side in (floor.lower, floor.upper):
        assert not side[(np.abs(V) < 0.06)].any() or not states  # the state is fitted with neither band
    assert floor.lower[0]
    assert floor.upper[-1]


@pytest.mark.parametrize("shift", [-0.2, 0.0, 0.2])
def test_a_floor_lies_about_the_middle_of_a_gap_whose_flanks_are_alike(shift):
    curve = np.clip(np.abs(V - shift) - 0.5, 0.0, None)
    floor = find_floor(V, curve, level_at_ends(curve))
    assert floor is not None
    assert np.mean(floor.middle) == pytest.approx(shift, abs=1e-9)
    assert 0.45 < floor.middle[1] - floor.middle[0] < 0.6  # half of the gap of 1 V and of what of its flanks is as low


def test_there_is_no_floor_where_nothing_falls_to_one():
    assert find_floor(V, np.ones_like(V), 1.0) is None


@pytest.mark.parametrize(("curve", "words"), [(GAP, ""), (np.abs(V), "no flat floor"), (V**2, "no flat floor")])
def test_only_a_level_floor_is_no_doubt(curve, words):
    rng = np.random.default_rng(1)
    each = curve + 1e-3 * rng.standard_normal((10, V.size))
    said = floor_doubt(V, each, (-0.15, 0.15), level_at_ends(curve))
    assert words in said
    assert bool(words) == bool(said)
