"""The same numbers are found again, whole or in part, up to the rounding of other units."""

from __future__ import annotations

import numpy as np
import pytest

from sts.session.copies import KnownSweeps, Numbers, keys_of, relation

AXIS = np.linspace(-1.0, 1.0, 40)
SIGNAL = 1e-9 * np.sinh(2 * AXIS) + 3e-13


def numbers(part: slice = slice(None), factor: float = 1.0, kind: str = "iv") -> Numbers:
    return Numbers(kind, AXIS[part], factor * SIGNAL[part])


@pytest.mark.parametrize(
    ("new", "end", "word"),
    [
        (numbers(), 0, "same"),
        (numbers(factor=1 + 1e-9), 0, "same"),
        (numbers(slice(0, 20)), 0, "part"),
        (numbers(slice(20, None)), 1, "part"),
        (numbers(slice(20, None)), 0, ""),
        (numbers(factor=1.001), 0, ""),
        (numbers(kind="iz"), 0, ""),
    ],
)
def test_how_two_sweeps_are_related(new: Numbers, end: int, word: str) -> None:
    assert relation(new, numbers(), end) == word
    assert relation(numbers(), new, end) == {"part": "whole"}.get(word, word)


def test_keys_agree_where_an_end_agrees_and_nowhere_else() -> None:
    whole, start, other = (
        keys_of(s.axis, s.signal[None])[0] for s in (numbers(), numbers(slice(0, 20)), numbers(factor=2))
    )
    assert (whole == start).tolist() == [True, False]
    assert (whole == other).tolist() == [False, False]


def test_known_sweeps_say_which_end_and_where() -> None:
    known = KnownSweeps()
    known.add(keys_of(AXIS, np.stack([SIGNAL, 2 * SIGNAL])), ["first", "second"])
    assert known.alike(keys_of(AXIS, SIGNAL[None])[0]) == [(0, "first"), (1, "first")]
    assert known.alike(keys_of(AXIS[:20], SIGNAL[None, :20])[0]) == [(0, "first")]
    assert known.alike(keys_of(AXIS, 3 * SIGNAL[None])[0]) == []


def test_minus_zero_and_missing_samples_are_what_they_are_elsewhere() -> None:
    a, b = np.array([[0.0, np.nan, 1.0]]), np.array([[-0.0, np.nan, 1.0]])
    assert np.array_equal(keys_of(AXIS[:3], a), keys_of(AXIS[:3], b))
