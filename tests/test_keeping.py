"""Kept results: what is a change, and what is rounding."""

from __future__ import annotations

import numpy as np
import pytest
from keeping import compare, line


@pytest.mark.parametrize(
    ("was", "now", "same"),
    [
        (1.0, 1.00001, True),
        (1.0, 1.001, False),
        (1e-12, 2e-12, False),
        ([1e-9, 1e-15], [1e-9, 2e-15], True),
        ([1e-12, 1e-9], [1e-12, 1.1e-9], False),
        (np.nan, 1.0, False),
        ("jump at 3.0 nm", "jump at 3.00001 nm", True),
        ("jump at 3.0 nm", "jump at 3.1 nm", False),
        ("jump", "outlier", False),
        ({"a": 1e-15, "b": 1e6}, {"a": 2e-15, "b": 1e6}, False),
    ],
)
def test_change_is_told_from_rounding(tmp_path, was, now, same):
    place = tmp_path / "kept" / "x.txt"
    compare(place, line("case", value=was), renew=True)
    if same:
        compare(place, line("case", value=now), renew=False)
    else:
        with pytest.raises(AssertionError, match="not what was kept"):
            compare(place, line("case", value=now), renew=False)


def test_lines_that_came_or_went_are_changes(tmp_path):
    place = tmp_path / "kept" / "x.txt"
    with pytest.raises(AssertionError, match="nothing is kept"):
        compare(place, line("case", value=1), renew=False)
    compare(place, line("case", value=1), renew=True)
    with pytest.raises(AssertionError, match="1 lines were kept, now there are 2"):
        compare(place, line("case", value=1, more=2), renew=False)
