"""An I(z) sweep on the page: current on a logarithmic axis, residuals in units of noise, local barrier."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from bokeh.layouts import column
from bokeh.models import BoxAnnotation, Span

from sts.review.look import (
    BEHIND,
    BLACK,
    BLUE,
    GREEN,
    GREY,
    ORANGE,
    PALE,
    VERMILLION,
    fill,
    hover,
    hover_curves,
    one_line,
    plot,
    source,
)

NM, PA = 1e9, 1e12


class HeightPlots:
    """Three plots on one height axis, filled anew with each sweep."""

    def __init__(self) -> None:
        self.beside, self.others = source("x", "y", "n"), source("sweep")
        self.samples, self.masked = source("x", "y"), source("x", "y", "why")
        self.fit, self.residual, self.local = source("x", "y"), source("x", "y"), source("x", "y", "low", "high")
        self.fit.name = "fit"
        self.spans, self.points = source("x0", "x1", "words"), source("x", "words")
        self.levels = source("x", "y0", "y1", "words")
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
        self.layout = column(self.current, self.noise, self.barrier, sizing_mode="stretch_width")

    def _draw(self) -> None:
        main = self.current
        behind = main.line("x", "y", source=self.beside, color=BEHIND, line_width=1, legend_label="others of the site")
        strips = main.vstrip(
            "x0", "x1", source=self.spans, fill_color=VERMILLION, fill_alpha=0.16, line_color=VERMILLION
        )
        lines = main.vspan("x", source=self.points, color=VERMILLION, line_width=2, line_dash="dashed")
        dots = main.scatter("x", "y", source=self.samples, size=4, color=BLACK, legend_label="samples")
        out = main.scatter(
            "x", "y", source=self.masked, size=7, marker="x", color=ORANGE, line_width=1.5, legend_label="masked"
        )
        main.line("x", "y", source=self.fit, color=BLUE, line_width=2.2, legend_label="fit")
        hover_curves(main, behind, self.others)
        hover(main, dots, ("height (nm)", "@x{0.000}"), ("current (pA)", "@y{0.00}"))
        hover(main, out, ("masked", "@why"), ("height (nm)", "@x{0.000}"), ("current (pA)", "@y{0.00}"))
        hover(main, strips, ("flag", "@words"))
        hover(main, lines, ("flag", "@words"))
        steps = main.segment("x", "y0", "x", "y1", source=self.levels, color=VERMILLION, line_width=7)
        hover(main, steps, ("flag", "@words"))
        main.legend.location, main.legend.background_fill_alpha, main.legend.label_text_color = "top_right", 0.85, BLACK
        main.legend.label_text_font_size, main.legend.padding, main.legend.spacing = "11px", 4, 0
        main.add_layout(self.window)
        main.add_layout(self.offset)
        dots = self.noise.scatter("x", "y", source=self.residual, size=3, color=BLACK)
        hover(self.noise, dots, ("height (nm)", "@x{0.000}"), ("residual (σ)", "@y{0.0}"))
        for level, dash in ((0, "solid"), (-2, "dashed"), (2, "dashed")):
            self.noise.add_layout(Span(location=level, dimension="width", line_color=GREY, line_dash=dash))
        self.barrier.varea("x", "low", "high", source=self.local, color=PALE)
        line = self.barrier.line("x", "y", source=self.local, color=BLUE, line_width=1.6)
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
        out = np.zeros(x.size, bool)
        why = np.full(x.size, "", object)
        for reason, mask in view.masked.items():
            out |= mask
            why[mask] = reason
        seen = np.isfinite(y) & (y > 0)
        fill(self.samples, x=x[seen & ~out], y=y[seen & ~out])
        fill(self.masked, x=x[seen & out], y=y[seen & out], why=why[seen & out].tolist())
        fill(self.fit, **_above_zero(x, view.fitted_A * PA))
        fill(self.beside, **one_line([(c.x[c.current_A > 0] * NM, c.current_A[c.current_A > 0] * PA) for c in beside]))
        fill(self.others, sweep=[c.sweep for c in beside])
        known = np.isfinite(view.residual)
        fill(self.residual, x=x[known], y=view.residual[known])
        known = np.isfinite(view.local_eV)
        local, error = view.local_eV[known], 2 * view.local_se_eV[known]
        fill(self.local, x=view.local_height_m[known] * NM, y=local, low=local - error, high=local + error)
        self.offset.visible = bool(view.offset_A > 0)
        self.offset.location = view.offset_A * PA if view.offset_A > 0 else None
        draw_places(view, self.spans, self.points, NM)
        lowest = float(y[seen].min()) if seen.any() else 1.0
        draw_levels(view, self.levels, (x[0], lowest))
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


def draw_places(view: Any, spans: Any, points: Any, scale: float) -> None:
    """Fill the sources of what is marked at its place along the axis.

    Parameters
    ----------
    view : HeightView or BiasView
    spans, points : bokeh.models.ColumnDataSource
        With columns ``x0``, ``x1``, ``words``, and ``x``, ``words``.
    scale : float
        From the axis in SI to that of the plot.
    """
    of = {kind: [p for p in view.places if p.kind == kind] for kind in ("span", "point")}
    fill(
        spans, x0=[p.first * scale for p in of["span"]], x1=[p.last * scale for p in of["span"]],
        words=[words_of(p) for p in of["span"]],
    )  # fmt: skip
    fill(points, x=[p.first * scale for p in of["point"]], words=[words_of(p) for p in of["point"]])


def draw_levels(view: Any, levels: Any, foot: tuple[float, float]) -> None:
    """Fill the source of what is marked as a size along the current: a bar of that height.

    Parameters
    ----------
    view : HeightView or BiasView
    levels : bokeh.models.ColumnDataSource
        With columns ``x``, ``y0``, ``y1``, ``words``.
    foot : (float, float)
        Where a bar stands: position along the axis as plotted, current [pA].
    """
    sizes = [place for place in view.places if place.kind == "level"]
    fill(
        levels, x=[foot[0]] * len(sizes), y0=[foot[1]] * len(sizes), y1=[foot[1] + p.size * PA for p in sizes],
        words=[words_of(p) for p in sizes],
    )  # fmt: skip


def words_of(place: Any) -> str:
    """A flag with its size.

    Parameters
    ----------
    place : Place
    """
    return f"{place.flag}: {place.words}" if place.words else str(place.flag)


def _above_zero(x: np.ndarray, y: np.ndarray) -> dict[str, np.ndarray]:
    seen = np.isfinite(y) & (y > 0)
    return {"x": x[seen], "y": y[seen]}
