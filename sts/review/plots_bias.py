"""An I(V) sweep on the page: current, dI/dV over its group's mean and band, normalised conductance, lock-in."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from bokeh.models import Span

from sts.quantities import LEAST_BIAS, scale_for
from sts.review.look import BLACK, BLUE, GREEN, PALE, PURPLE, VERMILLION, fill, hover, plot, source
from sts.review.marked import PA, MarkedPlots, masked_samples, small_legend


class BiasPlots(MarkedPlots):
    """Four plots on one bias axis, filled anew with each sweep; the lock-in channel is shown where there is one."""

    def __init__(self) -> None:
        super().__init__()
        self.own, self.group, self.lock = source("x", "y", "n"), source("x", "y", "low", "high"), source("x", "y")
        self.ratio, self.ends = source("x", "y", "low", "high"), source("x", "own", "group", "own_n", "group_n")
        self.current = plot("current (pA)", height=230)
        shared = {"x_range": self.current.x_range}
        self.slope = plot("dI/dV (nS)", height=210, **shared)
        self.normalised = plot("(dI/dV)/(I/V)", "bias (V)", height=170, **shared)
        self.lockin = plot("lock-in", "bias (V)", height=150, visible=False, **shared)
        self._draw()
        self.parts = [self.current, self.slope, self.normalised, self.lockin]

    def _draw(self) -> None:
        self.draw_behind(self.current)
        own = self.current.line("x", "y", source=self.samples, color=BLACK, line_width=1.8)
        out = self.current.scatter("x", "y", source=self.masked, size=7, marker="x", color=VERMILLION)
        hover(self.current, own, ("bias, as on the axis", "@x{0.000}"), ("current (pA)", "@y{0.00}"))
        hover(self.current, out, ("masked", "@why"))
        self.draw_levels(self.current)
        for made, data, column_name, tail in (
            (self.slope, self.group, "y", ""),
            (self.normalised, self.ratio, "n", "_n"),
        ):
            made.varea("x", "low", "high", source=data, color=PALE, legend_label="group's band")
            made.line("x", "y", source=data, color=BLUE, line_width=2, line_dash="dashed", legend_label="group's mean")
            own = made.line("x", column_name, source=self.own, color=BLACK, line_width=1.6, legend_label="this sweep")
            made.line("x", f"group{tail}", source=self.ends, color=BLUE, line_width=1.4, line_dash="dotted")
            made.line("x", f"own{tail}", source=self.ends, color=BLACK, line_width=1.2, line_dash="dotted",
                      legend_label="fitted from one side only")  # fmt: skip
            hover(made, own, ("bias, as on the axis", "@x{0.000}"), ("value", f"@{column_name}{{0.000}}"))
            made.legend.visible = made is self.slope  # one of them is enough
            small_legend(made)
        line = self.lockin.line("x", "y", source=self.lock, color=PURPLE, line_width=1.6)
        hover(self.lockin, line, ("bias, as on the axis", "@x{0.000}"), ("lock-in", "@y"))
        self.current.add_layout(Span(location=0, dimension="width", line_color=GREEN, line_dash="dotted"))

    def show(self, view: Any, beside: Sequence[Any]) -> str:
        """Draw a sweep; return what is not shown of it, in words.

        Parameters
        ----------
        view : BiasView
        beside : sequence of Curve
            The others of its site.
        """
        volts, unit = scale_for(view.bias_V, "V", least=LEAST_BIAS)
        self.normalised.xaxis.axis_label = self.lockin.xaxis.axis_label = f"bias ({unit})"
        x, y = view.bias_V * volts, view.current_A * PA
        fill(self.samples, x=x, y=y)
        out, why = masked_samples(view)
        fill(self.masked, x=x[out], y=y[out], why=why[out].tolist())
        self.show_marks(view, [(c.x * volts, c.current_A * PA) for c in beside], [c.sweep for c in beside], volts)
        self.show_levels(view, (float(x[0]), 0.0))
        scale, shown = (
            scale_for([*view.group_didv, *view.didv], "S") if view.didv_unit == "S" else (1.0, view.didv_unit)
        )
        self.slope.yaxis.axis_label = f"dI/dV ({shown})"
        self._show_derivatives(view, view.shifted_V * volts, scale)
        self.absent = [] if view.lockin is not None else [self.lockin]
        self.lockin.visible = view.lockin is not None
        if view.lockin is not None:
            fill(self.lock, x=x, y=view.lockin)
            self.lockin.yaxis.axis_label = f"lock-in ({view.lockin_unit})" if view.lockin_unit else "lock-in"
        return str(view.no_group)

    def _show_derivatives(self, view: Any, x: np.ndarray, scale: float) -> None:
        """dI/dV and normalised conductance: nothing where the latter is not to be trusted, dotted where fitted from one side."""
        shown = ~view.one_sided
        trusted, joined = shown & view.trusted, ~shown | np.roll(~shown, 1) | np.roll(~shown, -1)
        own, mean = view.didv * scale, view.group_didv * scale
        fill(self.own, x=x, y=_where(shown, own), n=_where(trusted, view.normalised))
        fill(
            self.group, x=x, y=_where(shown, mean), low=_where(shown, view.group_didv_low * scale),
            high=_where(shown, view.group_didv_high * scale),
        )  # fmt: skip
        fill(
            self.ratio, x=x, y=_where(trusted, view.group_normalised),
            low=_where(trusted, view.group_normalised_low), high=_where(trusted, view.group_normalised_high),
        )  # fmt: skip
        fill(
            self.ends, x=x, own=_where(joined, own), group=_where(joined, mean),
            own_n=_where(joined & view.trusted, view.normalised),
            group_n=_where(joined & view.trusted, view.group_normalised),
        )  # fmt: skip


def _where(shown: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Values (n,) with nothing where they are not shown."""
    return np.where(shown, values, np.nan)
