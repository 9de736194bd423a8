"""An I(V) sweep on the page: current, dI/dV over its group's mean and band, normalised conductance, lock-in."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from bokeh.layouts import column
from bokeh.models import Span

from sts.review.look import BLACK, BLUE, GREEN, PALE, PURPLE, VERMILLION, fill, hover, plot, source
from sts.review.marked import PA, MarkedPlots, masked_samples, small_legend

NS = 1e9


class BiasPlots(MarkedPlots):
    """Four plots on one bias axis, filled anew with each sweep; the lock-in channel is shown where there is one."""

    def __init__(self) -> None:
        super().__init__()
        self.own, self.group, self.lock = source("x", "y", "n"), source("x", "y", "low", "high"), source("x", "y")
        self.ratio = source("x", "y", "low", "high")
        self.current = plot("current (pA)", height=230)
        shared = {"x_range": self.current.x_range}
        self.slope = plot("dI/dV (nS)", height=210, **shared)
        self.normalised = plot("(dI/dV)/(I/V)", "bias (V)", height=170, **shared)
        self.lockin = plot("lock-in", "bias (V)", height=150, visible=False, **shared)
        self._draw()
        self.layout = column(self.current, self.slope, self.normalised, self.lockin, sizing_mode="stretch_width")

    def _draw(self) -> None:
        self.draw_behind(self.current)
        own = self.current.line("x", "y", source=self.samples, color=BLACK, line_width=1.8)
        out = self.current.scatter("x", "y", source=self.masked, size=7, marker="x", color=VERMILLION)
        hover(self.current, own, ("bias (V)", "@x{0.000}"), ("current (pA)", "@y{0.00}"))
        hover(self.current, out, ("masked", "@why"))
        self.draw_levels(self.current)
        for made, data, column_name in ((self.slope, self.group, "y"), (self.normalised, self.ratio, "n")):
            made.varea("x", "low", "high", source=data, color=PALE, legend_label="group's band")
            made.line("x", "y", source=data, color=BLUE, line_width=2, line_dash="dashed", legend_label="group's mean")
            own = made.line("x", column_name, source=self.own, color=BLACK, line_width=1.6, legend_label="this sweep")
            hover(made, own, ("bias (V)", "@x{0.000}"), ("value", f"@{column_name}{{0.000}}"))
            made.legend.visible = made is self.slope  # one of them is enough
            small_legend(made)
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
        out, why = masked_samples(view)
        fill(self.masked, x=x[out], y=y[out], why=why[out].tolist())
        self.show_marks(view, [(c.x, c.current_A * PA) for c in beside], [c.sweep for c in beside], 1.0)
        self.show_levels(view, (float(x[0]), 0.0))
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
        return str(view.no_group)
