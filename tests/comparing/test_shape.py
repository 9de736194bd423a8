"""Intervals that hold a common bend, and the words about its straight window."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from sts.comparing.shape import LARGER, window_words, with_shape

TIPS = pd.DataFrame(
    {"sample": "S", "tip": ["a", "b"], "note": ["one day", ""], "barrier_low_eV": [3.0, 4.0], "barrier_high_eV": [4.0, 5.0],
     "total_low_eV": [2.5, np.nan], "total_high_eV": [4.5, np.nan]}
)  # fmt: skip
BENDS = pd.DataFrame(
    {"sample": "S", "tip": ["a", "a"], "near_percent": [1.0, -2.0], "far_percent": [8.0, 4.0], "shape": "falls with two slopes",
     "straight_from_nm": [0.15, np.nan]}
)  # fmt: skip


def test_the_ends_go_as_far_as_the_halves_of_the_window_and_only_for_the_tip_that_bends() -> None:
    found = with_shape(TIPS, BENDS)
    assert found["barrier_low_eV"].tolist() == pytest.approx([3.0 * (1 - LARGER * 0.02), 4.0])
    assert found["barrier_high_eV"].tolist() == pytest.approx([4.0 * (1 + LARGER * 0.08), 5.0])
    assert found["total_high_eV"].iloc[0] == pytest.approx(4.5 * (1 + LARGER * 0.08))
    assert np.isnan(found["total_high_eV"].iloc[1])
    assert found["note"].tolist() == ["one day; the interval holds a bend that its sweeps share", ""]
    one_sided = with_shape(TIPS, BENDS.iloc[:1])
    assert one_sided["barrier_low_eV"].tolist() == [3.0, 4.0]  # both halves read more than the fit
    assert with_shape(TIPS, BENDS.iloc[:0]) is TIPS


def test_the_window_that_may_be_quoted_is_named() -> None:
    first, second = BENDS.to_dict("records")
    assert (
        window_words(first)
        == "its mean sweep falls with two slopes: quote it only from 0.15 nm on (barrier.fit_from_nm)"
    )
    assert "no window of a decade is straight: quote no single number" in window_words(second)
