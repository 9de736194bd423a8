"""What the server answers beside the page."""

from __future__ import annotations

import pytest

pytest.importorskip("bokeh", reason="needs bokeh (the extra 'review')")

from sts.review.answers import WORKING


def test_the_page_that_says_working_waits_for_the_sweeps_and_loads_what_comes_from_here_only() -> None:
    page = WORKING.format(links="<link>")
    assert 'fetch("/measured")' in page
    assert "working: measuring" in page
    assert "http" not in page
