"""A spectrum is found by its label or by parts of it; near names are offered."""

from __future__ import annotations

import pytest

from sts.analysis.named import UnknownName, positions

LABELS = ["graphite, A, 500 pA", "graphite, A", "graphite, B, 500 pA", "gold film, A, 500 pA"]


@pytest.mark.parametrize(
    ("wanted", "found"),
    [
        ("graphite, A", [1]),  # the whole label wins over parts of another
        ("graphite, A, 500 pA", [0]),
        ("500 pA, Graphite", [0, 2]),
        (" b ,graphite", [2]),
        ("gold  film", [3]),
    ],
)
def test_a_label_is_found_whole_or_by_its_parts(wanted: str, found: list[int]) -> None:
    assert positions(wanted, LABELS) == found


def test_what_fits_nothing_or_too_much_is_answered_with_names() -> None:
    with pytest.raises(KeyError, match=r"no spectrum is called 'graphite, C'; near to it: .*graphite, A"):
        positions("graphite, C", LABELS)
    with pytest.raises(
        UnknownName, match=r"no spectrum is called 'Gold'; near to it: gold film, A, 500 pA\.$"
    ):  # half of a part
        positions("Gold", LABELS)
    with pytest.raises(UnknownName, match="there is: none"):
        positions("x", [])
    with pytest.raises(ValueError, match=r"'graphite, 500 pA' fits 2 spectra; .*: graphite, A, 500 pA; graphite, B"):
        positions("graphite, 500 pA", LABELS, one=True)
    with pytest.raises(UnknownName):
        positions(" , ", LABELS)
