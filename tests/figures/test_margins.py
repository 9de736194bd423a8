"""Margins leave room for every word, and no more; matplotlib's own measure of a drawing is the judge."""

from __future__ import annotations

from itertools import pairwise

import pytest
from figures.drawings import DRAWINGS, drawn
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from sts import figures
from sts.figures.margins import EDGE_PT, TICK_PT, set_margins


def test_a_name_longer_than_the_figure_is_cut_and_the_axes_stay() -> None:
    """A tip whose name has 140 letters once ended the report."""
    with figures.house_style():
        figure = Figure(figsize=(3.4, 2))
        FigureCanvasAgg(figure)
        ax = figure.add_subplot()
        ax.barh(["heron " * 24, "plover"], [1, 2])
        ax.annotate("a remark on the right, " * 5, (1, 0.5), xycoords="axes fraction")
        set_margins(figure, [ax])
    assert ax.get_position().width >= 0.29


@pytest.mark.parametrize("name", DRAWINGS)
def test_every_word_stands_within_the_figure_and_no_room_is_wasted(name: str) -> None:
    with figures.house_style():
        axes = drawn(name)
        figure = axes[0].figure
        assert isinstance(figure, Figure)
        figure.set_layout_engine(None)
        set_margins(figure, axes)
        canvas = figure.canvas
        assert isinstance(canvas, FigureCanvasAgg)
        renderer = canvas.get_renderer()  # type: ignore[no-untyped-call]
        boxes = [ax.get_tightbbox(renderer) for ax in axes]
        legends = [legend.get_window_extent(renderer) for legend in figure.legends]
    point = figure.dpi / 72
    found = [box for box in (*boxes, *legends) if box is not None]
    width, height = figure.bbox.size
    for free in (
        min(box.x0 for box in found),
        min(box.y0 for box in found),
        width - max(box.x1 for box in boxes if box is not None),
        height - max(box.y1 for box in found),
    ):
        assert 0 <= free / point <= 2 * EDGE_PT + TICK_PT
    for upper, lower in pairwise(boxes):
        assert upper is not None
        assert lower is not None
        assert (upper.y0 - lower.y1) / point >= 0
