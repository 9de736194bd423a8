"""The page: one HTML file that holds everything and asks nobody for anything."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from dataclasses import replace
from importlib.resources import files
from typing import Any

import jinja2
from markupsafe import Markup

from sts.analysis import Analysis
from sts.report.answers import BARRIERS, DOUBTFUL, SPECTRUM, STEPPED, Answer
from sts.report.citations import works_used
from sts.report.drawing import Drawn, draw, inline
from sts.report.notes import notes
from sts.report.number_words import count, level_words
from sts.report.page_tables import MOST_LISTED, VERDICT_HEADS, page_tables, sweep_rows, verdict_rows
from sts.report.pictures import gallery
from sts.report.summary import Summary
from sts.report.sweep_data import sweep_block
from sts.settings import write_toml
from sts.sweeps import KIND_WORDS

SHOWN_ABOVE = (BARRIERS, SPECTRUM)  # table and captions say it; a warning stays
CAUTIONS = (
    (
        "Piezo drives carry hundreds of volts, and a piezo holds its charge after the supply is off: "
        "discharge it through a resistor, never by a short."
    ),
    "Cut wire ends fly and pierce: eye protection, and a box for sharps.",
    "Etching baths burn: goggles, gloves, a fume hood.",
    "Cryogens burn, build pressure and displace air: vent, and watch the oxygen.",
    "Local rules and the qualified people of your laboratory come first.",
)


def render_page(summary: Summary, drawn: Sequence[Drawn] | None = None, *, paper: bool = False) -> str:
    """The whole report as one HTML page.

    Parameters
    ----------
    summary : Summary
    drawn : sequence of Drawn, optional
        Figures drawn before; drawn here if not given.
    paper : bool
        As it is made a PDF of: without what only a screen can use or what stands in files beside it, and each figure an
        image of its own, since makers of PDF take every line of a drawing within the page for an element to be laid out.
    """
    analysis = summary.analysis
    if drawn is None:
        width = analysis.plan.report.width
        drawn = [draw(picture, width=width) for picture in gallery(summary)]
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("sts.report", "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    here = files("sts.report") / "templates"
    sections: dict[str, list[dict[str, Any]]] = {}
    letters: set[str] = set()
    for number, one in enumerate(drawn, 1):
        svg = _image(one) if paper else Markup(inline(one.svg, f"f{number}-", letters))
        sections.setdefault(one.picture.section, []).append({"picture": one.picture, "svg": svg})
    rows = [row for row in sweep_rows(summary) if not paper or row["flags"] or not row["used"]]
    beside, below = _answers(summary)
    text = environment.get_template("page.html.j2").render(
        analysis=analysis,
        style=Markup((here / "page.css").read_text(encoding="utf-8")),
        script=Markup("".join((here / name).read_text(encoding="utf-8") for name in ("page.js", "sweeps.js"))),
        sweep_data="" if paper else Markup(sweep_block(analysis, (row["sweep"] for row in rows))),
        paper=paper,
        verdicts=verdict_rows(analysis),
        beside=beside,
        answers=below,
        flags=summary.flags,
        improvements=summary.improvements,
        figures=sections,
        tables=page_tables(analysis),
        sweeps=rows,
        sweep_total=len(analysis.judged),
        notes=notes(analysis),
        paragraph=summary.methods,
        items=summary.checklist,
        missing=[item.name for item in summary.checklist if item.missing],
        works=works_used(analysis),
        plan=write_toml(analysis.plan),
        sources=analysis.sources.head(MOST_LISTED).to_dict(orient="records"),
        source_total=len(analysis.sources),
        decisions=analysis.decisions.tail(MOST_LISTED).to_dict(orient="records"),
        decision_total=len(analysis.decisions),
        calibrations=analysis.calibrations.to_dict(orient="records"),
        cautions=CAUTIONS,
        subtitle=_subtitle(analysis),
        verdict_heads=VERDICT_HEADS,
        level=level_words(analysis.plan.compare.confidence),
    )
    return str(text)


def _image(one: Drawn) -> Markup:
    """A figure as an image within the page, its finding as the text in its place."""
    data = base64.b64encode(one.svg).decode()
    return Markup('<img src="data:image/svg+xml;base64,{}" alt="{}">').format(data, one.picture.finding)


def _subtitle(analysis: Analysis) -> str:
    judged = analysis.judged
    parts = [f"session {analysis.session}"]
    parts += [
        count(int((judged["kind"] == kind).sum()), f"{name} sweep")
        for kind, name in KIND_WORDS.items()
        if (judged["kind"] == kind).any()
    ]
    if analysis.plan.report.author:
        parts.append(analysis.plan.report.author)
    return " · ".join(parts)


def _answers(summary: Summary) -> tuple[list[Answer], list[Answer]]:
    """The answers that stand beside the first figures, and those below: of what these figures tell only what to mind."""
    said = summary.answers
    beside = [one for one in said if one.question == STEPPED]
    beside += [replace(one, sentence="") for one in said if one.question in SHOWN_ABOVE and one.warning]
    beside += [one for one in said if one.question == DOUBTFUL]
    return beside, [one for one in said if one.question not in (*SHOWN_ABOVE, DOUBTFUL, STEPPED)]
