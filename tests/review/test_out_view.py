"""What leaves the review page."""

from __future__ import annotations

import pytest

pytest.importorskip("bokeh", reason="needs bokeh (the extra 'review')")

from pathlib import Path

from review.pages import page_of

from sts.review.out_view import free_folder


@pytest.mark.usefixtures("unprinted")
def test_the_report_is_made_beside_the_session_and_linked(small: Path) -> None:
    page = page_of(small)
    assert page.review.report_page() is None
    page.out.report()
    out = small.with_name("small-report")
    assert page.review.report_page() == out / "report.html"
    assert (out / "report.html").is_file()
    assert "href='/report'" in page.out.words.text
    assert free_folder(small).name == "small-report-2"


def test_decisions_are_shown_as_commands(demo: Path) -> None:
    page = page_of(demo)
    page.out.commands()
    assert "no decisions" in page.out.words.text
    page.decision.own.value = 'a "quoted" <reason>'
    page.decision.decide("omit")
    page.out.commands()
    assert "sts mark" in page.out.words.text
    assert "<reason>" not in page.out.words.text
