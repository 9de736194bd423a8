"""The window of the fit: dragged in the plot or moved by keys, fitted at once for the sweep that is seen, then for all."""

from __future__ import annotations

import math
import time
from typing import Any

from bokeh.layouts import column, row
from bokeh.models import RangeSlider

from sts.review.look import button, number, safe, styled, text_box

EVERY_S = 0.04  # between two fits while the window is dragged
READ_S = 0.2  # between two numbers: nobody reads faster, and text that changes lays the page out anew
PA = 1e12


class WindowView:
    """A slider with two ends beside the shaded part of the plot; both say the same.

    Parameters
    ----------
    page : Page
    """

    def __init__(self, page: Any) -> None:
        self.page = page
        self.box = page.heights.window
        self.box.update(editable=True, resizable="x", movable="x")
        self.slider = RangeSlider(
            title="Window of the fit, from the near end (nm)", start=0, end=1, value=(0, 1), step=0.005, format="0.000",
            sizing_mode="stretch_width", stylesheets=[styled()],
        )  # fmt: skip
        self.words = text_box()
        self.use = button("Fit all within this window", self.use_for_all)
        self.layout = column(
            self.slider,
            row(self.words, self.use, sizing_mode="stretch_width"),
            sizing_mode="stretch_width",
            name="window",
        )
        self._asked: tuple[float, ...] = (0.0, 1.0)  # the window that is wanted, by slider or shaded part
        self._own = self._waits = self._unsaid = False
        self._last = self._said = 0.0
        self._barrier = ""
        self.box.on_change("left", lambda attr, old, new: self._dragged())
        self.box.on_change("right", lambda attr, old, new: self._dragged())
        self.slider.on_change("value", lambda attr, old, new: self._slid())

    def show(self, view: Any) -> None:
        """Show the window of a sweep.

        Parameters
        ----------
        view : HeightView
        """
        self._own, self._barrier = True, ""
        start, end = (float(view.height_m[at]) * 1e9 for at in (0, -1))
        low, high = (
            x * 1e9 if math.isfinite(x) else other for x, other in zip(view.window_m, (start, end), strict=True)
        )
        self._asked = (low, high)
        self.slider.update(start=start, end=max(end, start + 1e-3), value=(low, high))
        self.box.update(left=low, right=high)
        self.words.text = "<p>Drag an end of the shaded window, or move the slider by the arrow keys.</p>"
        self._own = False

    @property
    def window_nm(self) -> tuple[float, float]:
        """From and to, from the near end of the ramp [nm]."""
        low, high = self._asked
        return float(low), float(high)

    def _dragged(self) -> None:
        if not self._own and self.box.left is not None and self.box.right is not None:
            self._asked = tuple(sorted((float(self.box.left), float(self.box.right))))
            self._soon()

    def _slid(self) -> None:
        if not self._own:
            self._asked = tuple(self.slider.value)
            self._soon()

    def _soon(self) -> None:
        """Fit now, or after the pause if the last fit was a moment ago: what comes faster than that is passed over."""
        if self.page.doc.session_context is None or time.monotonic() - self._last >= EVERY_S:
            self.fit()
        elif not self._waits:
            self._waits = True
            self.page.doc.add_timeout_callback(self.fit, int(EVERY_S * 1e3))

    def fit(self) -> None:
        """Fit the sweep that is seen within the window, and show it; slider and shaded part follow each other here only."""
        self._waits, self._own = False, True
        low, high = self.window_nm
        self.slider.value = (low, high)
        self.box.update(left=low, right=high)
        self._own = False
        try:
            found = self.page.desk.preview_window(self.page.sweep, low, high)
        except (ValueError, OSError) as error:
            self._barrier, self.words.text = "", f"<p class=caution>{safe(error)}</p>"
            return
        self._last = time.monotonic()
        self.page.heights.show_fit(found.fitted_A, found.used_points)
        self._barrier = (
            f"{number(found.barrier_eV)} eV ({number(found.barrier_low_eV)} to {number(found.barrier_high_eV)})"
        )
        if self.page.doc.session_context is None or self._last - self._said >= READ_S:
            self._say()
        elif not self._unsaid:
            self._unsaid = True
            self.page.doc.add_timeout_callback(self._say, int(READ_S * 1e3))

    def _say(self) -> None:
        """Tell the barrier of the last fit."""
        self._unsaid = False
        if self._barrier:  # else another sweep is seen by now
            self._said = time.monotonic()
            self.words.text = f"<p>In this window: <b>{self._barrier}</b>. Only looked at, until all are fitted so.</p>"

    def use_for_all(self) -> None:
        """Measure all I(z) sweeps within the window."""
        low, high = (round(end, 4) for end in self.window_nm)
        self.page.change(**{"barrier.fit_from_nm": low, "barrier.fit_to_nm": high})
