"""An I(V) sweep on the page: current, dI/dV over its group's mean and band, normalised conductance, lock-in."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from bokeh.layouts import column
from bokeh.models import Span

from sts.review.look import (
    BEHIND,
    BLACK,
    BLUE,
    GREEN,
    PALE,
    PURPLE,
    VERMILLION,
    fill,
    hover,
    hover_curves,
    one_line,
    plot,
    source,
)
from sts.review.plots_height import draw_levels, draw_places

PA, NS = 1e12, 1e9


class BiasPlots:
    """Four plots on one bias axis, filled anew with each sweep; the lock-in channel is shown where there is one."""

    def __init__(self) -> None:
        self.beside, self.others = source("x", "y", "n"), source("sweep")
        self.samples, self.masked = source("x", "y"), source("x", "y", "why")
        self.own, self.group, self.lock = source("x", "y", "n"), source("x", "y", "low", "high"), source("x", "y")
        self.ratio = source("x", "y", "low", "high")
        self.spans, self.points = source("x0", "x1", "words"), source("x", "words")
        self.levels = source("x", "y0", "y1", "words")
        self.current = plot("current (pA)", height=230)
        shared = {"x_range": self.current.x_range}
        self.slope = plot("dI/dV (nS)", height=210, **shared)
        self.normalised = plot("(dI/dV)/(I/V)", "bias (V)", height=170, **shared)
        self.lockin = plot("lock-in", "bias (V)", height=150, visible=False, **shared)
        self._draw()
        self.layout = column(self.current, self.slope, self.normalised, self.lockin, sizing_mode="stretch_width")

    def _draw(self) -> None:
        behind = self.current.line("x", "y", source=self.beside, color=BEHIND)
        strips = self.current.vstrip(
            "x0", "x1", source=self.spans, fill_color=VERMILLION, fill_alpha=0.16, line_color=VERMILLION
        )
        lines = self.current.vspan("x", source=self.points, color=VERMILLION, line_width=2, line_dash="dashed")
        own = self.current.line("x", "y", source=self.samples, color=BLACK, line_width=1.8)
        out = self.current.scatter("x", "y", source=self.masked, size=7, marker="x", color=VERMILLION)
        hover_curves(self.current, behind, self.others)
        hover(self.current, own, ("bias (V)", "@x{0.000}"), ("current (pA)", "@y{0.00}"))
        hover(self.current, out, ("masked", "@why"))
        hover(self.current, strips, ("flag", "@words"))
        hover(self.current, lines, ("flag", "@words"))
        steps = self.current.segment("x", "y0", "x", "y1", source=self.levels, color=VERMILLION, line_width=7)
        hover(self.current, steps, ("flag", "@words"))
        for made, data, column_name in ((self.slope, self.group, "y"), (self.normalised, self.ratio, "n")):
            made.varea("x", "low", "high", source=data, color=PALE, legend_label="group's band")
            made.line("x", "y", source=data, color=BLUE, line_width=2, line_dash="dashed", legend_label="group's mean")
            own = made.line("x", column_name, source=self.own, color=BLACK, line_width=1.6, legend_label="this sweep")
            hover(made, own, ("bias (V)", "@x{0.000}"), ("value", f"@{column_name}{{0.000}}"))
            made.legend.visible = made is self.slope  # one of them is enough
            made.legend.background_fill_alpha, made.legend.label_text_font_size = 0.85, "11px"
            made.legend.padding, made.legend.spacing, made.legend.label_text_color = 4, 0, BLACK
        line = self.lockin.line("x", "y", source=self.lock, color=PURPLE, line_width=1.6)
        hover(self.lockin, line, ("bias (V)", "@x{0.000}"), ("lock-in", "@y"))
        self.current.add_layout(Span(location=0, dimension="width", line_color=GREEN, line_dash="dotted"))

    def show(self, view: Any, beside: Sequence[Any]) -> str:
        """Draw a sweep; return what is not shown of it, in words.

        Parameters
        ----------
        view : BiasView
        beside : sequence of Curve
            The others of its site.
        """
        x, y = view.bias_V, view.current_A * PA
        fill(self.samples, x=x, y=y)
        out = np.zeros(x.size, bool)
        why = np.full(x.size, "", object)
        for reason, mask in view.masked.items():
            out |= mask
            why[mask] = reason
        fill(self.masked, x=x[out], y=y[out], why=why[out].tolist())
        fill(self.beside, **one_line([(c.x, c.current_A * PA) for c in beside]))
        fill(self.others, sweep=[c.sweep for c in beside])
        scale = NS if view.didv_unit == "S" else 1.0
        self.slope.yaxis.axis_label = "dI/dV (nS)" if view.didv_unit == "S" else f"dI/dV ({view.didv_unit})"
        fill(self.own, x=view.shifted_V, y=view.didv * scale, n=view.normalised)
        fill(
            self.group, x=view.shifted_V, y=view.group_didv * scale, low=view.group_didv_low * scale,
            high=view.group_didv_high * scale,
        )  # fmt: skip
        fill(
            self.ratio, x=view.shifted_V, y=view.group_normalised, low=view.group_normalised_low,
            high=view.group_normalised_high,
        )  # fmt: skip
        self.lockin.visible = view.lockin is not None
        if view.lockin is not None:
            fill(self.lock, x=x, y=view.lockin)
            self.lockin.yaxis.axis_label = f"lock-in ({view.lockin_unit})" if view.lockin_unit else "lock-in"
        draw_places(view, self.spans, self.points, 1.0)
        draw_levels(view, self.levels, (float(x[0]), 0.0))
        return str(view.no_group)
