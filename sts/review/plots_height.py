"""An I(z) sweep on the page: current on a logarithmic axis, residuals in units of noise, local barrier."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from bokeh.models import BoxAnnotation, Span

from sts.review.look import BLACK, BLUE, GREEN, GREY, ORANGE, PALE, fill, hover, plot, source
from sts.review.marked import PA, MarkedPlots, masked_samples, small_legend

NM = 1e9


class HeightPlots(MarkedPlots):
    """Three plots on one height axis, filled anew with each sweep."""

    def __init__(self) -> None:
        super().__init__()
        self.fit, self.residual, self.local = (
            source("x", "y"),
            source("x", "y"),
            source("x", "y", "low", "high", "ends"),
        )
        self.fit.name = "fit"
        self.current = plot("current (pA)", height=330, y_axis_type="log")
        shared = {"x_range": self.current.x_range}
        self.noise = plot("residual (σ)", height=130, **shared)
        self.barrier = plot("local barrier (eV)", "height from the near end (nm)", height=160, **shared)
        self.window = BoxAnnotation(
            fill_color=BLUE, fill_alpha=0.07, line_color=BLUE, line_dash="dashed", line_alpha=0.8
        )
        self.offset = Span(dimension="width", line_color=GREEN, line_dash="dotted", line_width=2, visible=False)
        self._heights = np.empty(0)
        self._draw()
        self.parts = [self.current, self.noise, self.barrier]

    def _draw(self) -> None:
        main = self.current
        self.draw_behind(main, line_width=1, legend_label="others of the site")
        dots = main.scatter("x", "y", source=self.samples, size=4, color=BLACK, legend_label="samples")
        out = main.scatter(
            "x", "y", source=self.masked, size=7, marker="x", color=ORANGE, line_width=1.5, legend_label="masked"
        )
        main.line("x", "y", source=self.fit, color=BLUE, line_width=2.2, legend_label="fit")
        hover(main, dots, ("height (nm)", "@x{0.000}"), ("current (pA)", "@y{0.00}"))
        hover(main, out, ("masked", "@why"), ("height (nm)", "@x{0.000}"), ("current (pA)", "@y{0.00}"))
        self.draw_levels(main)
        main.legend.location = "top_right"
        small_legend(main)
        main.add_layout(self.window)
        main.add_layout(self.offset)
        dots = self.noise.scatter("x", "y", source=self.residual, size=3, color=BLACK)
        hover(self.noise, dots, ("height (nm)", "@x{0.000}"), ("residual (σ)", "@y{0.0}"))
        for level, dash in ((0, "solid"), (-2, "dashed"), (2, "dashed")):
            self.noise.add_layout(Span(location=level, dimension="width", line_color=GREY, line_dash=dash))
        self.barrier.varea("x", "low", "high", source=self.local, color=PALE)
        line = self.barrier.line("x", "y", source=self.local, color=BLUE, line_width=1.6)
        self.barrier.line("x", "ends", source=self.local, color=BLUE, line_width=1.2, line_dash="dotted")
        hover(self.barrier, line, ("height (nm)", "@x{0.000}"), ("local barrier (eV)", "@y{0.00}"))

    def show(self, view: Any, beside: Sequence[Any]) -> str:
        """Draw a sweep; return what cannot be seen of it on a logarithmic axis, in words.

        Parameters
        ----------
        view : HeightView
        beside : sequence of Curve
            The others of its site.
        """
        x, y = view.height_m * NM, view.current_A * PA
        out, why = masked_samples(view)
        seen = np.isfinite(y) & (y > 0)
        fill(self.samples, x=x[seen & ~out], y=y[seen & ~out])
        fill(self.masked, x=x[seen & out], y=y[seen & out], why=why[seen & out].tolist())
        fill(self.fit, **_above_zero(x, view.fitted_A * PA))
        curves = [(c.x[c.current_A > 0] * NM, c.current_A[c.current_A > 0] * PA) for c in beside]
        self.show_marks(view, curves, [c.sweep for c in beside], NM)
        self.show_levels(view, (x[0], float(y[seen].min()) if seen.any() else 1.0))
        known = np.isfinite(view.residual)
        fill(self.residual, x=x[known], y=view.residual[known])
        known = np.isfinite(view.local_eV)
        local, error, ends = view.local_eV[known], 2 * view.local_se_eV[known], view.local_one_sided[known]
        middle = np.where(ends, np.nan, local)
        joined = ends | np.roll(ends, 1) | np.roll(ends, -1)
        fill(
            self.local, x=view.local_height_m[known] * NM, y=middle, low=middle - error, high=middle + error,
            ends=np.where(joined, local, np.nan),
        )  # fmt: skip
        self.offset.visible = bool(view.offset_A > 0)
        self.offset.location = view.offset_A * PA if view.offset_A > 0 else None
        self._heights = x
        if not seen.all():
            return (
                f"{int((~seen).sum())} of {seen.size} samples are zero or below; a logarithmic axis cannot show them."
            )
        return ""

    def show_fit(self, fitted_A: np.ndarray, used: np.ndarray) -> None:
        """Draw another fit of the sweep that is shown.

        Parameters
        ----------
        fitted_A : ndarray, shape (n,)
            The curve [A].
        used : ndarray of bool, shape (n,)
            The samples that were fitted.
        """
        fill(self.fit, **_above_zero(self._heights, np.where(used, fitted_A * PA, np.nan)))


def _above_zero(x: np.ndarray, y: np.ndarray) -> dict[str, np.ndarray]:
    seen = np.isfinite(y) & (y > 0)
    return {"x": x[seen], "y": y[seen]}
