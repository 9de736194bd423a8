"""Marks that plots of both kinds of sweep share."""

from __future__ import annotations

import pytest

pytest.importorskip("bokeh", reason="needs bokeh (the extra 'review')")

from sts.analysis.sweep_view import Place
from sts.review.marked import MarkedPlots, words_of


def test_points_spans_and_levels_go_to_their_own_marks() -> None:
    class View:
        places = (
            Place("jump", "by 1.5", "point", 1e-10, 1e-10), Place("hump", "", "span", 2e-10, 3e-10),
            Place("coarse steps", "of 5 pA", "level", size=5e-12), Place("poor fit", "x", "whole"),
        )  # fmt: skip

    plots = MarkedPlots()
    plots.show_marks(View, [], [], 1e9)
    plots.show_levels(View, (0.0, 2.0))
    assert plots.points.data == {"x": [pytest.approx(0.1)], "words": ["jump: by 1.5"]}
    assert plots.spans.data == {"x0": [pytest.approx(0.2)], "x1": [pytest.approx(0.3)], "words": ["hump"]}
    assert plots.levels.data["y1"] == [pytest.approx(7.0)]
    assert words_of(View.places[1]) == "hump"
