"""Settings that matter, on the page: average, groups, smoothing width with the curve it is chosen from; saved as a plan."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from bokeh.layouts import column
from bokeh.models import Select, Slider, Span

from sts.review.look import BLUE, VERMILLION, button, fill, plot, safe, source, styled, text_box

GROUPS = {
    "sample, tip, set-point": ["sample", "tip", "setpoint_current_A"], "sample, tip": ["sample", "tip"],
    "sample, tip, site": ["sample", "tip", "site"], "sample": ["sample"],
}  # fmt: skip
# A slider's handles have no names of their own, which a reader of the screen would say.
NAMED_JS = """
for (const slider of sliders) {
  const handles = [...Bokeh.index.find_one(slider).shadow_el.querySelectorAll("[role=slider]")];
  handles.forEach((handle, at) => handle.setAttribute(
    "aria-label", slider.title + (handles.length > 1 ? [", from", ", to"][at] : "")));
}
"""


class SettingsView:
    """Few settings; everything else stands in the plan.

    Parameters
    ----------
    page : Page
    """

    def __init__(self, page: Any) -> None:
        self.page = page
        self.average = _select("Average of spectra", ["mean", "median", "geometric"])
        self.groups = _select("Spectra are grouped by", list(GROUPS))
        self.width = Slider(title="Energy width of smoothing (mV)", start=1, end=200, step=1, value=20, format="0",
                            sizing_mode="stretch_width", stylesheets=[styled()])  # fmt: skip
        self.curve = source("x", "y")
        self.chosen = Span(dimension="height", line_color=VERMILLION, line_dash="dashed")
        self.behind = plot("error / least", "width (mV)", height=130, visible=False, y_axis_type="log")
        self.behind.line("x", "y", source=self.curve, color=BLUE)
        self.behind.add_layout(self.chosen)
        self.words, self.saved = text_box(), text_box()
        self._own = False
        self.average.on_change("value", lambda attr, old, new: self._use(**{"spectra.average": new}))
        self.groups.on_change(
            "value", lambda attr, old, new: self._use(**{"spectra.by": GROUPS[new]}) if new in GROUPS else None
        )
        self.width.on_change(
            "value_throttled", lambda attr, old, new: self._use(**{"spectra.smoothing_width_V": new / 1e3})
        )
        self.layout = column(
            text_box("<h3>Settings</h3>"), self.average, self.groups, self.width, self.behind, self.words,
            button("Back to the rule", self.page.change), button("Save as plan", self.save), self.saved,
            sizing_mode="stretch_width",
        )  # fmt: skip
        self.refresh()

    def _use(self, **settings: Any) -> None:
        if not self._own:
            self.page.change(**settings)

    def refresh(self) -> None:
        """Show the settings in use."""
        desk = self.page.desk
        self._own = True
        spectra = desk.plan.spectra
        self.average.value = spectra.average
        found = [words for words, by in GROUPS.items() if by == spectra.by]
        words = found[0] if found else ", ".join(spectra.by)
        self.groups.options = list(dict.fromkeys([*GROUPS, words]))
        self.groups.value = words
        if spectra.smoothing_width_V is not None:
            self.width.value = spectra.smoothing_width_V * 1e3
        self._show_curve()
        self._own = False
        rows = [f"<li>{safe(key)}: {safe(now)} instead of {safe(default)}</li>" for key, default, now in desk.changed]
        self.words.text = (
            f"<p>Other than the default:</p><ul>{''.join(rows)}</ul>"
            if rows
            else "<p>All settings are the defaults.</p>"
        )

    def _show_curve(self) -> None:
        """What leaving one sweep out says of each width, where the width was chosen so."""
        analysis = None if self.page.desk.measuring else self.page.desk.analysis
        spectra = () if analysis is None or analysis.spectra is None else analysis.spectra.spectra
        curves = [s.criterion for s in spectra if s.criterion is not None and len(s.criterion)]
        self.width.visible = self.average.visible = self.groups.visible = bool(spectra)
        self.behind.visible = bool(curves)
        if not curves:
            return
        curve = curves[0]
        x, y = curve["width_V"].to_numpy(float) * 1e3, curve["score"].to_numpy(float)
        fill(self.curve, x=x, y=y / np.nanmin(y))
        self.width.end = max(float(np.ceil(x.max())), self.width.value, 2.0)
        chosen = curve.loc[curve["chosen"].astype(bool), "width_V"]
        if len(chosen):
            self.chosen.location = float(chosen.iloc[0]) * 1e3
            if self.page.desk.plan.spectra.smoothing_width_V is None:
                self.width.value = self.chosen.location

    def save(self) -> None:
        """Write the settings beside the session, under a name that is free, and show them."""
        text = self.page.desk.plan_text()
        where = ""
        if not self.page.desk.read_only:
            path = write_beside(self.page.desk.path, text)
            name = safe(path.name)
            where = f"<p>Written: {name}, beside the session. Use it: <code>sts report --plan {name}</code></p>"
        self.saved.text = f"{where}<pre tabindex=0>{safe(text)}</pre>"


def write_beside(session: Path, text: str) -> Path:
    """Write a plan beside a session; nothing is overwritten.

    Parameters
    ----------
    session : path
    text : str

    Returns
    -------
    pathlib.Path

    Raises
    ------
    ValueError
        If a thousand plans of the session are there already.
    """
    for number in range(1, 1000):
        path = session.with_name(f"{session.stem}-plan{'' if number == 1 else f'-{number}'}.toml")
        try:
            with path.open("x", encoding="utf-8") as file:
                file.write(text)
        except FileExistsError:
            continue
        return path
    raise ValueError(f"{session.parent}: there are a thousand plans of {session.name} already; put some away.")


def _select(title: str, options: list[str]) -> Select:
    return Select(title=title, options=options, value=options[0], sizing_mode="stretch_width", stylesheets=[styled()])
