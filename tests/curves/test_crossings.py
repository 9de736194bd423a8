"""Where curves cross a level, and how wide they are: against shapes whose width is known in closed form."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from sts.curves.crossings import crossing, ends_above, full_width


def test_a_triangle_is_half_as_wide_at_half_height_as_at_its_foot():
    x = np.array([0.0, 1.0, 4.0])  # straight sides, so that straight lines between points are exact
    assert_allclose(full_width(x, np.array([0.0, 2.0, 0.0])), 2.0, rtol=1e-12)


def test_a_normal_distribution_has_the_width_of_the_formula():
    """Full width at half height is 2 sqrt(2 ln 2) standard deviations."""
    x = np.linspace(-5, 5, 4001)
    assert_allclose(full_width(x, np.exp(-(x**2) / 2)), 2 * np.sqrt(2 * np.log(2)), rtol=1e-6)


def test_other_peaks_do_not_count_and_an_end_ends_the_width():
    x = np.arange(7.0)
    assert_allclose(full_width(x, np.array([0.0, 2, 0, 1.9, 1.9, 1.9, 0])), 1.0)
    assert_allclose(full_width(x, np.array([4.0, 4, 4, 2, 0, 0, 0])), 3.0)  # half height is met on a point


def test_every_row_has_its_own_level():
    x, rows = np.array([0.0, 1.0, 2.0]), np.array([[4.0, 2.0, 0.0], [4.0, 2.0, 0.0]])
    at = crossing(x, rows, np.array([3.0, 0.5]), np.array([0, 1]), np.array([1, 2]))
    assert_allclose(at, [0.5, 1.75])


def test_a_place_beyond_the_end_is_the_end():
    x, rows = np.array([0.0, 1.0]), np.array([[1.0, 2.0]])
    left, right = ends_above(rows > 0.5, np.array([1]))
    assert (left.tolist(), right.tolist()) == ([-1], [2])
    assert crossing(x, rows, np.array([0.5]), right - 1, right).tolist() == [1.0]
    assert crossing(x, rows, np.array([0.5]), left + 1, left).tolist() == [0.0]


@pytest.mark.parametrize("scale", [1e-12, 1e9])
def test_units_do_not_matter(scale):
    x = np.linspace(-1, 1, 41)
    row = 1 / (1 + (x / 0.2) ** 2)
    assert_allclose(full_width(x, scale * row), full_width(x, row), rtol=1e-12)
    assert_allclose(full_width(scale * x, row), scale * full_width(x, row), rtol=1e-12)
