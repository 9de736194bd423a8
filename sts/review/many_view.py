"""All sweeps of a site at a glance: small plots to open one or to tick several and decide about them at once."""

from __future__ import annotations

from typing import Any

from bokeh.layouts import column
from bokeh.models import CheckboxGroup, InlineStyleSheet
from bokeh.plotting import figure

from sts.review.look import BLUE, GREY, VERMILLION, button, styled, text_box

MOST = 40  # small plots at once
WRAPPED = ":host { flex-flow: row wrap; gap: 8px; }"


class ManyView:
    """Small plots of a site, made when they are asked for.

    Parameters
    ----------
    page : Page
    """

    def __init__(self, page: Any) -> None:
        self.page = page
        self.shown = False
        self.site: list[str] = []
        self.cells: list[tuple[str, CheckboxGroup]] = []
        self.box = column(text_box(), sizing_mode="stretch_width", stylesheets=[InlineStyleSheet(css=WRAPPED)])
        self.first = 0  # of the site's sweeps that is shown
        self.words = text_box()
        self.more = button(f"Next {MOST}", self.next_ones, visible=False)
        self.layout = column(self.words, self.more, self.box, sizing_mode="stretch_width", visible=False)

    @property
    def ticked(self) -> list[str]:
        """The sweeps that are ticked; none where the plots are not shown."""
        return [name for name, tick in self.cells if tick.active] if self.shown else []

    def turn(self) -> None:
        """Show the small plots, or put them away."""
        self.shown = not self.shown
        self.layout.visible = self.shown
        self.cells = []
        if self.shown and self.page.sweep:
            self.show(self.page.desk.view(self.page.sweep))

    def next_ones(self) -> None:
        """Show the next ones of the site; after the last the first."""
        self.first = self.first + MOST if self.first + MOST < len(self.site) else 0
        self.cells = []
        self.show(self.page.desk.view(self.page.sweep))

    def show(self, view: Any) -> None:
        """Show the site of a sweep, if the plots are asked for.

        Parameters
        ----------
        view : HeightView or BiasView
        """
        if not self.shown:
            return
        site = sorted([view.sweep, *view.beside])
        if site != self.site:
            self.site, self.first = site, site.index(view.sweep) // MOST * MOST
        names = site[self.first : self.first + MOST]
        self.more.visible = len(site) > MOST
        self.words.text = (
            f"<p>{self.first + 1} to {self.first + len(names)} of the {len(site)} sweeps of this site.</p>"
        )
        if {name for name, _ in self.cells} != set(names) or not self.cells:
            judged = self.page.desk.worklist.set_index("sweep")["used"]
            self.cells, plots = [], []
            for curve in self.page.desk.curves(names):
                plots.append(self._cell(curve, used=bool(judged[curve.sweep]), log=hasattr(view, "height_m")))
            self.box.children = plots

    def _cell(self, curve: Any, *, used: bool, log: bool) -> Any:
        small = figure(width=150, height=96, y_axis_type="log" if log else "linear", tools="", toolbar_location=None)
        seen = curve.current_A > 0 if log else curve.current_A == curve.current_A
        small.line(
            curve.x[seen],
            curve.current_A[seen],
            color=BLUE if used else VERMILLION,
            line_dash="solid" if used else "dashed",
        )
        small.axis.visible, small.outline_line_color, small.min_border = False, GREY, 2
        name = curve.sweep
        tick = CheckboxGroup(labels=["tick" + ("" if used else " (left out)")], width=150, stylesheets=[styled()])
        self.cells.append((name, tick))
        return column(
            small, button(name, lambda: self.page.open(name), width=150, sizing_mode="fixed"), tick, width=156
        )
