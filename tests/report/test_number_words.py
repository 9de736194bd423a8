"""Numbers in words: digits by the uncertainty, counts, lists."""

from __future__ import annotations

import numpy as np
import pytest

from sts.report.number_words import count, listed, value_with_interval, value_with_uncertainty


@pytest.mark.parametrize(
    ("value", "low", "high", "text"),
    [
        (4.38, 4.28, 4.49, "4.38 eV (4.28 to 4.49)"),
        (0.70071, 0.6909, 0.7105, "0.7007 eV (0.6909 to 0.7105)"),
        (-0.1, -0.3, 0.1, "−0.10 eV (−0.30 to 0.10)"),
        (4.4, np.nan, np.nan, "4.40 eV (no interval)"),
        (np.nan, np.nan, np.nan, "not recorded"),
    ],
)
def test_intervals_are_rounded_by_their_width(value: float, low: float, high: float, text: str) -> None:
    """Two significant digits of the uncertainty: JCGM 100:2008 (GUM), 7.2.6."""
    assert value_with_interval(value, low, high, "eV") == text


def test_uncertainties_have_two_digits() -> None:
    """The GUM's own example, 7.2.2: 100.021 47 g with u = 0.35 mg."""
    assert value_with_uncertainty(100.02147, 0.00035, "g") == "100.02147 ± 0.00035 g"


def test_words_for_counts_and_lists() -> None:
    assert count(1, "sweep") == "1 sweep"
    assert count(0, "sweep") == "0 sweeps"
    assert listed(["a", "b", "c"]) == "a, b and c"
    assert listed([]) == ""
