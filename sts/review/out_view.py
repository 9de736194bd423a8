"""What leaves the page: the report, the decisions as commands, pictures of the sweep that is seen."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from bokeh.layouts import column, row
from bokeh.models import Button, CustomJS

from sts.review.look import button, safe, styled, text_box

SAVE_JS = """
(async () => {
  const shown = [...heights, ...biases].filter(plot => plot.visible);
  const layers = shown.map(plot => Bokeh.index.find_one(plot).export(kind));
  const whole = new layers[0].constructor(layers[0].backend, true);
  whole.resize(Math.max(...layers.map(layer => layer.bbox.width)), layers.reduce((sum, layer) => sum + layer.bbox.height, 0));
  let y = 0;
  for (const layer of layers) {  // one under the other
    whole.ctx.drawImage(layer.canvas, 0, y * whole.pixel_ratio);
    y += layer.bbox.height;
  }
  const blob = await whole.to_blob();
  const link = document.createElement("a");
  link.href = URL.createObjectURL(blob);
  link.download = "sweep." + kind;
  link.click();
  URL.revokeObjectURL(link.href);
})();
"""


class OutView:
    """Buttons for what is taken away, and what came of them.

    Parameters
    ----------
    page : Page
    """

    def __init__(self, page: Any) -> None:
        self.page = page
        self.words = text_box()
        pictures = []
        for kind in ("png", "svg"):
            made = Button(label=f"Picture as {kind.upper()}", sizing_mode="stretch_width", stylesheets=[styled()])
            plots = {"heights": page.heights.parts, "biases": page.biases.parts, "kind": kind}
            made.js_on_click(CustomJS(args=plots, code=SAVE_JS))
            pictures.append(made)
        wide = {"sizing_mode": "stretch_width"}
        self.layout = column(
            text_box("<h3>Take it away</h3>"),
            row(button("Make the report", self.report), button("Decisions as commands", self.commands), **wide),
            row(*pictures, **wide), self.words, **wide,
        )  # fmt: skip

    def commands(self) -> None:
        """Show the decisions in force as lines to copy."""
        lines = self.page.desk.commands()
        self.words.text = (
            f"<pre tabindex=0>{safe(lines)}</pre>" if lines else "<p>There are no decisions by a person.</p>"
        )

    def report(self) -> None:
        """Make the report in a folder beside the session whose name is free."""
        out = free_folder(self.page.desk.path)
        self.page.say(f"working: making the report in {out.name} ...")

        def progress(done: int, total: int) -> None:
            if self.page.doc.session_context is not None:
                words = f"working: report, {done} of {total} ..."
                self.page.doc.add_next_tick_callback(lambda: self.page.say(words))

        def made(_: Any) -> None:
            self.page.review.made = out / "report.html"
            self.page.say(f"The report is made, in {out}.")
            self.words.text = (
                f"<p><a href='/report' target='_blank' rel='noopener'>Open the report</a> ({safe(out)})</p>"
            )

        self.page.review.work(self.page, lambda: self.page.desk.report(out, progress), made)


def free_folder(session: Path) -> Path:
    """A folder beside a session that is not there yet.

    Parameters
    ----------
    session : path
    """
    number = 1
    while (path := session.with_name(f"{session.stem}-report{'' if number == 1 else f'-{number}'}")).exists():
        number += 1
    return path
