"""Decisions on the review page."""

from __future__ import annotations

import pytest

pytest.importorskip("bokeh", reason="needs bokeh (the extra 'review')")

from pathlib import Path

from review.pages import page_of

from sts.review.decision_view import OWN_WORDS
from sts.session import Session


def test_the_words_of_the_flags_are_offered(demo: Path) -> None:
    page = page_of(demo)
    page.open("curlew_s2_r2_retract")
    assert page.decision.offered.options == ["saturated: 9 of 140 samples at the limit, masked", OWN_WORDS]
    page.decision.decide("omit")
    assert Session.open(demo).decisions()["why"].tolist() == ["saturated: 9 of 140 samples at the limit, masked"]


def test_own_words_go_first(demo: Path) -> None:
    page = page_of(demo)
    page.decision.own.value = "  tip \n touched "
    assert page.decision.why == "tip touched"


def test_nothing_is_left_out_without_a_reason(demo: Path) -> None:
    page = page_of(demo)
    page.decision.offered.value = OWN_WORDS
    page.decision.decide("omit")
    assert len(Session.open(demo).decisions()) == 0
    assert "say why" in page.decision.about.text
    assert "nothing was decided" in page.status.text


def test_undo_is_offered_where_there_is_something_to_undo(demo: Path) -> None:
    page = page_of(demo)
    assert page.decision.buttons["undo"].disabled
    page.decision.decide("keep")
    assert not page.decision.buttons["undo"].disabled
