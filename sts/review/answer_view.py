"""The answer on the page, live: tips before and now, the barrier-by-tip figure, the averaged spectrum, cautions, counts."""

from __future__ import annotations

from typing import Any

import numpy as np
from bokeh.transform import dodge

from sts.review.desk import Desk
from sts.review.listed import MEASURING
from sts.review.look import BLACK, BLUE, GREY, fill, hover, number, plot, safe, source, table, text_box

NS = 1e9


class AnswerView:
    """What the session says under the decisions in force, beside what it said when the page was opened."""

    def __init__(self, desk: Desk) -> None:
        self.desk = desk
        self.words, self.tips = text_box(), text_box()
        self.then, self.now = source("tip", "y", "low", "high"), source("tip", "y", "low", "high")
        self.before, self.after = (source("x", "y", "low", "high") for _ in range(2))
        self.by_tip = plot("barrier (eV)", height=210, x_range=[" "])
        self.spectrum = plot("group's dI/dV (nS)", "bias (V)", height=200)
        self._of: Any = None  # the results that are shown
        self._draw()
        self.parts = [self.words, self.by_tip, self.tips, self.spectrum]
        self.refresh("")

    def _draw(self) -> None:
        for data, colour, marker, shift, words in (
            (self.then, GREY, "circle", -0.12, "opened"),
            (self.now, BLUE, "diamond", 0.12, "now"),
        ):
            where = dodge("tip", shift, range=self.by_tip.x_range)
            dots = self.by_tip.scatter(
                where, "y", source=data, size=10, marker=marker, color=colour, legend_label=words
            )
            self.by_tip.segment(where, "low", where, "high", source=data, color=colour, line_width=2)
            hover(
                self.by_tip,
                dots,
                ("tip", "@tip"),
                ("barrier (eV)", "@y{0.000}"),
                ("from", "@low{0.000}"),
                ("to", "@high{0.000}"),
            )
        self.by_tip.legend.orientation, self.by_tip.legend.label_text_font_size = "horizontal", "11px"
        self.by_tip.add_layout(self.by_tip.legend[0], "above")
        self.by_tip.legend.label_text_color = BLACK
        self.spectrum.varea(
            "x", "low", "high", source=self.before, color=GREY, fill_alpha=0.0, hatch_pattern="/", hatch_color=GREY,
            hatch_alpha=0.35, hatch_scale=6,
        )  # fmt: skip
        self.spectrum.varea("x", "low", "high", source=self.after, color=BLUE, fill_alpha=0.2)
        self.spectrum.line(
            "x", "y", source=self.before, color=GREY, line_width=1.5, line_dash="dashed", legend_label="opened"
        )
        self.spectrum.line("x", "y", source=self.after, color=BLUE, line_width=2, legend_label="now")
        self.spectrum.legend.label_text_font_size = "11px"

    def refresh(self, sweep: str) -> None:
        """Show the answer as it stands now.

        Parameters
        ----------
        sweep : str
            That which is open; the spectrum shown is that of its group.
        """
        if self.desk.measuring:
            self.by_tip.visible = self.tips.visible = False
            self.words.text = (
                f"<p>{MEASURING.capitalize()} The answer follows; decisions taken now are kept and count.</p>"
            )
            self.show_group("")
            return
        if self._of is self.desk.analysis:
            self.show_group(sweep)
            return
        self._of, answer = self.desk.analysis, self.desk.answer()
        tips = answer.tips
        names = _names(tips)
        self.by_tip.visible = self.tips.visible = bool(names)
        if names:
            self.by_tip.x_range.factors = names
        for data, prefix in ((self.then, "before_"), (self.now, "")):
            ends = (("y", "barrier_eV"), ("low", "barrier_low_eV"), ("high", "barrier_high_eV"))
            fill(data, tip=names, **{key: tips[prefix + name].to_numpy(float) for key, name in ends})
        self.tips.text = _tips_table(names, tips)
        self.words.text = self._counts(answer)
        self.show_group(sweep)

    def _counts(self, answer: Any) -> str:
        judged = self.desk.analysis.judged
        used, by_person = int(judged["used"].sum()), int((judged["decided_by"] == "person").sum())
        text = f"<p>{used} of {len(judged)} sweeps used; {by_person} decided by a person.</p>"
        if answer.sentence:
            text += f"<p>{safe(answer.sentence)}</p>"
        if len(answer.decided):
            shown = [name for name in ("tip", "omitted", "kept", "raised", "lowered") if name in answer.decided]
            rows = [[str(cell) for cell in row] for row in answer.decided[shown].itertuples(index=False)]
            text += table("Decisions by tip", shown, rows, right=set(range(1, len(shown))))
        return text + "".join(f"<p class=caution>{safe(line)}</p>" for line in answer.cautions)

    def show_group(self, sweep: str) -> None:
        """Show the averaged spectrum of the group of a sweep, if there is one.

        Parameters
        ----------
        sweep : str
        """
        before, now = self.desk.spectrum(sweep) if sweep and not self.desk.measuring else (None, None)
        self.spectrum.visible = now is not None or before is not None
        for data, spectrum in ((self.before, before), (self.after, now)):
            if spectrum is not None:
                nS = _scale(spectrum)
                low, high = spectrum.didv_low * nS, spectrum.didv_high * nS
                fill(data, x=spectrum.bias, y=spectrum.didv * nS, low=low, high=high)
            else:
                fill(data, x=[], y=[], low=[], high=[])
        some = now if now is not None else before
        unit = some.didv_unit if some is not None else "S"
        self.spectrum.yaxis.axis_label = f"group's dI/dV ({'nS' if unit == 'S' else unit})"


def _scale(spectrum: Any) -> float:
    return NS if spectrum.didv_unit == "S" else 1.0


def _names(tips: Any) -> list[str]:
    """A tip on each sample, told apart."""
    several = tips["sample"].nunique() > 1
    return [f"{t}, {s or 'no sample'}" if several else str(t) for t, s in zip(tips["tip"], tips["sample"], strict=True)]


def _tips_table(names: list[str], tips: Any) -> str:
    """The numbers by tip when the session was opened and now, each with its interval, and the verdict where there is one."""
    rows = []
    for name, row in zip(names, tips.to_dict(orient="records"), strict=True):
        values = [
            f"{number(row[p + 'barrier_eV'])} ({number(row[p + 'barrier_low_eV'], 2)}–{number(row[p + 'barrier_high_eV'], 2)})"
            for p in ("before_", "")
        ]
        moved = row["moved_eV"]
        rows.append([name, *values, f"{moved:+.3f}" if np.isfinite(moved) else "–", str(row.get("verdict") or "–")])
    heads = ["tip", "opened", "now", "moved", "verdict"]
    return table("Apparent barrier height by tip (eV)", heads, rows, right={1, 2, 3})
