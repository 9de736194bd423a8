"""What a desk shows, and what it does not know before all sweeps are measured."""

from __future__ import annotations

from concurrent.futures import Future
from pathlib import Path

import pytest

from sts.review import Desk, Filters
from sts.session import SessionError


def test_before_all_are_measured_there_is_a_list_and_no_answer(small: Path) -> None:
    desk = Desk(small, standing=Future())
    assert desk.measuring
    assert len(desk.filtered(Filters(kind="iz"))) == 6
    assert desk.looked_at == (0, 10)
    assert desk.reasons("heron_1") == []
    assert desk.view("heron_1").sweep == "heron_1"
    assert desk.changed == []
    for name in ("measured", "analysis", "rule", "opened"):
        with pytest.raises(SessionError, match="Try again when the answer is there"):
            getattr(desk, name)
