"""What plots of both kinds of sweep show beside the curve: the others of the site, what is masked, flags where they sit."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from sts.review.look import BEHIND, BLACK, VERMILLION, fill, hover, hover_curves, one_line, source

PA = 1e12


class MarkedPlots:
    """The sources of these marks, and their glyphs in the plot of the current."""

    parts: list[Any]  # the plots, from top to bottom

    def __init__(self) -> None:
        self.absent: list[Any] = []  # plots of which the sweep that is seen has nothing
        self.beside, self.others = source("x", "y", "n"), source("sweep")
        self.samples, self.masked = source("x", "y"), source("x", "y", "why")
        self.spans, self.points = source("x0", "x1", "words"), source("x", "words")
        self.levels = source("x", "y0", "y1", "words")

    @property
    def visible(self) -> bool:
        """Whether the plots are shown."""
        return bool(self.parts[0].visible)

    def turn(self, *, visible: bool) -> None:
        """Show the plots, or put them away.

        Parameters
        ----------
        visible : bool
        """
        for plot in self.parts:
            plot.visible = visible and plot not in self.absent

    def draw_behind(self, made: Any, **look: Any) -> None:
        """Draw what lies under the curve: the others of the site, then the flags along the axis.

        Parameters
        ----------
        made : bokeh.plotting.figure
        **look : object
            Of the line of the others.
        """
        behind = made.line("x", "y", source=self.beside, color=BEHIND, **look)
        strips = made.vstrip(
            "x0", "x1", source=self.spans, fill_color=VERMILLION, fill_alpha=0.16, line_color=VERMILLION
        )
        lines = made.vspan("x", source=self.points, color=VERMILLION, line_width=2, line_dash="dashed")
        hover_curves(made, behind, self.others)
        hover(made, strips, ("flag", "@words"))
        hover(made, lines, ("flag", "@words"))

    def draw_levels(self, made: Any) -> None:
        """Draw the flags that are a size along the current.

        Parameters
        ----------
        made : bokeh.plotting.figure
        """
        steps = made.segment("x", "y0", "x", "y1", source=self.levels, color=VERMILLION, line_width=7)
        hover(made, steps, ("flag", "@words"))

    def show_marks(self, view: Any, curves: Sequence[tuple[Any, Any]], names: Sequence[str], scale: float) -> None:
        """Fill the sources of the others of the site, and of flags along the axis.

        Parameters
        ----------
        view : HeightView or BiasView
        curves : sequence of (ndarray, ndarray)
            Of the others of the site, as plotted.
        names : sequence of str
        scale : float
            From the axis in SI to that of the plot.
        """
        fill(self.beside, **one_line(curves))
        fill(self.others, sweep=list(names))
        spans, points = ([p for p in view.places if p.kind == kind] for kind in ("span", "point"))
        fill(
            self.spans, x0=[p.first * scale for p in spans], x1=[p.last * scale for p in spans],
            words=[words_of(p) for p in spans],
        )  # fmt: skip
        fill(self.points, x=[p.first * scale for p in points], words=[words_of(p) for p in points])

    def show_levels(self, view: Any, foot: tuple[float, float]) -> None:
        """Fill the source of flags along the current: a bar of that height.

        Parameters
        ----------
        view : HeightView or BiasView
        foot : (float, float)
            Where a bar stands: position along the axis as plotted, current [pA].
        """
        sizes = [place for place in view.places if place.kind == "level"]
        fill(
            self.levels, x=[foot[0]] * len(sizes), y0=[foot[1]] * len(sizes),
            y1=[foot[1] + p.size * PA for p in sizes], words=[words_of(p) for p in sizes],
        )  # fmt: skip


def masked_samples(view: Any) -> tuple[np.ndarray, np.ndarray]:
    """Which samples (n,) are masked, and why each is, in a word.

    Parameters
    ----------
    view : HeightView or BiasView
    """
    out, why = np.zeros(view.current_A.size, bool), np.full(view.current_A.size, "", object)
    for reason, mask in view.masked.items():
        out |= mask
        why[mask] = reason
    return out, why


def small_legend(made: Any) -> None:
    """Make the legend of a plot small, and see through it.

    Parameters
    ----------
    made : bokeh.plotting.figure
    """
    made.legend.background_fill_alpha, made.legend.label_text_font_size = 0.85, "11px"
    made.legend.padding, made.legend.spacing, made.legend.label_text_color = 4, 0, BLACK


def words_of(place: Any) -> str:
    """A flag with its size.

    Parameters
    ----------
    place : Place
    """
    return f"{place.flag}: {place.words}" if place.words else str(place.flag)
