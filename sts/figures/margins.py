"""Margins of a figure, reckoned from the words that stand in them.

The layout engines of matplotlib draw the whole figure to learn its margins, which takes as long as the drawing that
is kept. Here rows of axes stand one below the other and all letters have one size, so that few words need measuring.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from matplotlib.axes import Axes
from matplotlib.axis import Axis
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.text import Annotation

from sts.figures.style import TYPE_PT

EDGE_PT = 4.0  # left free around everything
TICK_PT = 7.0  # a tick and the gap between it and its number
LEAST_INSIDE = 0.3  # of the width, for the axes
LINE_PT = 1.22 * TYPE_PT  # a line of words


def set_margins(figure: Figure, axes: Sequence[Axes]) -> None:
    """Give each word outside the axes its room; call it within `house_style`, when all is drawn.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
        Without a layout engine.
    axes : sequence of matplotlib.axes.Axes
        One below the other.
    """
    canvas = figure.canvas
    assert isinstance(canvas, FigureCanvasAgg)
    renderer: Any = canvas.get_renderer()  # type: ignore[no-untyped-call]
    point = figure.dpi / 72
    left = max(_label_pt(ax.yaxis) + _widest_number(ax.yaxis, renderer) / point for ax in axes) + TICK_PT
    notes = [t for ax in axes for t in ax.texts if isinstance(t, Annotation)]
    right = max((note.get_window_extent(renderer).width / point + EDGE_PT for note in notes), default=LINE_PT)
    width, height = (72 * side for side in figure.get_size_inches())
    above = [_legend_above(ax, renderer) / point + EDGE_PT for ax in axes]
    below = [
        TICK_PT + LINE_PT + _label_pt(ax.xaxis) if ax.xaxis.get_tick_params()["labelbottom"] else TICK_PT for ax in axes
    ]
    gap = max((up + down for down, up in zip(below, above[1:], strict=False)), default=0.0)
    legends = sum(box.get_window_extent(renderer).height / point + EDGE_PT for box in figure.legends)
    left, right = _leaving_room(left + EDGE_PT, right + EDGE_PT, width)
    inside = height - above[0] - below[-1] - legends - 2 * EDGE_PT - gap * (len(axes) - 1)
    figure.subplots_adjust(
        left=left / width,
        right=1 - right / width,
        bottom=(below[-1] + legends + EDGE_PT) / height,
        top=1 - (above[0] + EDGE_PT) / height,
        hspace=gap * len(axes) / inside,
    )


def _leaving_room(left: float, right: float, width: float) -> tuple[float, float]:
    """The margins, narrower where hardly anything would be left of the axes: very long names are cut at the edge."""
    shrunk = min(1.0, (1 - LEAST_INSIDE) * width / (left + right))
    return left * shrunk, right * shrunk


def _label_pt(axis: Axis) -> float:
    """Height of the axis' name [pt]."""
    name = axis.get_label_text()
    return LINE_PT * (name.count("\n") + 1) + axis.labelpad if name else 0.0


def _widest_number(axis: Axis, renderer: Any) -> float:
    """Width of the widest number at a tick [pixels]."""
    low, high = sorted(axis.get_view_interval())
    ticks = [tick for tick in axis.get_majorticklocs() if low <= tick <= high]
    return max((_width(number, renderer) for number in axis.get_major_formatter().format_ticks(ticks)), default=0.0)


def _width(words: str, renderer: Any) -> float:
    """Width of words of one or more lines [pixels]."""
    letters = FontProperties(size=TYPE_PT)
    return float(max(renderer.get_text_width_height_descent(line, letters, False)[0] for line in words.split("\n")))


def _legend_above(ax: Axes, renderer: Any) -> float:
    """Height of a legend that hangs on the upper edge of the axes instead of standing within [pixels]."""
    box = ax.get_legend()
    return 0.0 if box is None or box.get_bbox_to_anchor().height else float(box.get_window_extent(renderer).height)
