"""Results cut and joined by sweeps: what is cut comes back."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_array_equal

from sts.barrier.blocks import BLOCK_VALUES, blocks, joined, replaced, take
from sts.barrier.exponential import Exponential, Fitted, Products

COUNT = 7


def a_result(seed: int = 1) -> Fitted:
    """A result with a result in it."""
    rng = np.random.default_rng(seed)
    rows = rng.standard_normal((3, COUNT))
    return Fitted(
        Exponential(*rows, good=rng.random(COUNT) > 0.5),
        Products.of(*rng.standard_normal((3, COUNT, 4))),
        rng.random((COUNT, 4)),
    )


def columns(result: Fitted) -> list[np.ndarray]:
    return [*vars(result.curve).values(), *vars(result.products).values(), result.variance]


@pytest.mark.parametrize("points", [1, 300, BLOCK_VALUES, 3 * BLOCK_VALUES])
def test_blocks_hold_every_row_once_and_at_least_one_each(points):
    rows = np.arange(665)
    found = [rows[part] for part in blocks(rows.size, points)]
    assert_array_equal(np.concatenate(found), rows)
    assert max(len(part) for part in found) <= max(1, BLOCK_VALUES // points)


def test_what_is_cut_and_joined_is_the_same():
    whole = a_result()
    parts = [take(whole, slice(0, 3)), take(whole, np.array([3])), take(whole, np.arange(COUNT) > 3)]
    for one, other in zip(columns(joined(parts)), columns(whole), strict=True):
        assert_array_equal(one, other)


def test_replacing_changes_the_rows_meant_and_leaves_the_result_it_began_with():
    whole, other, rows = a_result(1), a_result(2), np.array([1, 5])
    kept = [values.copy() for values in columns(whole)]
    changed = replaced(whole, rows, take(other, rows))
    rest = np.setdiff1d(np.arange(COUNT), rows)
    for new, old, fresh, before in zip(columns(changed), columns(whole), columns(other), kept, strict=True):
        assert_array_equal(new[rows], fresh[rows])
        assert_array_equal(new[rest], old[rest])
        assert_array_equal(old, before)
