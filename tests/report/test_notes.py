"""Notes say on what the order of the sweeps rests, and nothing twice."""

from __future__ import annotations

from dataclasses import replace

import pytest

from sts.analysis import Analysis
from sts.provenance import BASES, Order
from sts.report.notes import WHY_ORDER, notes


@pytest.mark.parametrize("basis", BASES)
def test_an_order_that_no_start_tells_says_why(invented: Analysis, basis: str) -> None:
    order = Order(invented.order.names, basis)
    first = notes(replace(invented, order=order))[0]
    assert first.startswith(f"Sweeps are listed {BASES[basis]}")
    assert (basis == "started") == (basis not in WHY_ORDER)
    assert first.endswith(f"{WHY_ORDER.get(basis, '')}.")


def test_each_note_stands_once(invented: Analysis) -> None:
    assert invented.barrier is not None
    twice = replace(invented, barrier=replace(invented.barrier, notes=("a note.", "a note.")))
    assert notes(twice).count("a note.") == 1
