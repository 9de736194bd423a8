"""The page: one HTML file that holds everything and asks nobody for anything."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from importlib.resources import files
from typing import Any

import jinja2
import pandas as pd
from markupsafe import Markup

from sts.analysis import Analysis
from sts.figures.style import decimals_for, rows_of
from sts.report.answers import BARRIERS, DOUBTFUL, SPECTRUM, Answer, tip_name
from sts.report.citations import works_used
from sts.report.drawing import Drawn, draw, inline
from sts.report.intervals import components_with_intervals, spectra_with_uncertainties
from sts.report.notes import notes
from sts.report.number_words import count
from sts.report.pictures import gallery
from sts.report.summary import Summary
from sts.report.sweep_data import sweep_block
from sts.settings import write_toml
from sts.spectra.models import MODELS, Model
from sts.sweeps import KIND_WORDS

MOST_ROWS = 1500  # sweeps listed on the page; flagged ones come first, all stand in the CSV

SHOWN_ABOVE = (BARRIERS, SPECTRUM)  # table and captions say it; a warning stays
VERDICT_HEADS = ("Tip", "Verdict", "φ (eV)", "Sites", "Sweeps used, left out", "Jumps", "Noise (pA)",
                 "Scatter between, within sites (%)", "Drift (pm/s)", "Directions agree")  # fmt: skip

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


def render_page(summary: Summary, drawn: Sequence[Drawn] | None = None, *, own_letters: bool = False) -> str:
    """The whole report as one HTML page.

    Parameters
    ----------
    summary : Summary
    drawn : sequence of Drawn, optional
        Figures drawn before; drawn here if not given.
    own_letters : bool
        Keep the letters' shapes in every figure. Browsers find them anywhere on the page, which makes it smaller;
        makers of PDF do not.
    """
    analysis = summary.analysis
    if drawn is None:
        width = analysis.plan.report.figure_width
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
        svg = Markup(inline(one.svg, f"f{number}-", set() if own_letters else letters))
        sections.setdefault(one.picture.section, []).append({"picture": one.picture, "svg": svg})
    rows = _sweep_rows(summary)
    beside, below = _answers(summary)
    text = environment.get_template("page.html.j2").render(
        analysis=analysis,
        style=Markup((here / "page.css").read_text(encoding="utf-8")),
        script=Markup("".join((here / name).read_text(encoding="utf-8") for name in ("page.js", "sweeps.js"))),
        sweep_data=Markup(sweep_block(analysis, (row["sweep"] for row in rows))),
        verdicts=_verdict_rows(analysis),
        beside=beside,
        answers=below,
        flags=summary.flags,
        improvements=summary.improvements,
        figures=sections,
        tables=_tables(analysis),
        sweeps=rows,
        sweep_total=len(analysis.judged),
        notes=notes(analysis),
        paragraph=summary.methods,
        items=summary.checklist,
        missing=[item.name for item in summary.checklist if item.missing],
        works=works_used(analysis),
        plan=write_toml(analysis.plan),
        sources=analysis.sources.to_dict(orient="records"),
        decisions=analysis.decisions.to_dict(orient="records"),
        calibrations=analysis.calibrations.to_dict(orient="records"),
        cautions=CAUTIONS,
        subtitle=_subtitle(analysis),
        verdict_heads=VERDICT_HEADS,
    )
    return str(text)


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
    beside = [replace(one, sentence="") for one in said if one.question in SHOWN_ABOVE and one.warning]
    beside += [one for one in said if one.question == DOUBTFUL]
    return beside, [one for one in said if one.question not in (*SHOWN_ABOVE, DOUBTFUL)]


def _verdict_rows(analysis: Analysis) -> list[dict[str, Any]]:
    """Which tip was good: the cells of each tip's row as text."""
    table = analysis.verdicts
    rows = []
    for row in rows_of(table):
        barrier, low, high = row.barrier_eV, row.barrier_low_eV, row.barrier_high_eV
        places = decimals_for((high - low) / 2) if math.isfinite(high - low) else 2
        interval = f"{low:.{places}f} to {high:.{places}f}" if math.isfinite(low) else "no interval"
        cells = [
            row.sites,
            f"{row.sweeps}, {row.lost}",
            row.jumps,
            _cell(row.noise_pA, 1) + (f" ({row.noise_ratio:.1f} ×)" if math.isfinite(row.noise_ratio) else ""),
            f"{_cell(row.between_sites_percent, 1)}, {_cell(row.within_sites_percent, 1)}",
            _cell(row.drift_pm_per_s, 1),
            f"{int(row.pairs_agree)} of {int(row.pairs_of_directions)}" if row.pairs_of_directions > 0 else "–",
        ]
        rows.append(
            {
                "tip": tip_name(row.sample, row.tip, table),
                "verdict": row.verdict,
                "why": row.reasons,
                "barrier": _cell(barrier, places),
                "interval": interval if math.isfinite(barrier) else "",
                "cells": cells,
            }
        )
    return rows


# --- tables of the page: heading, column, decimals or the column of the uncertainty that sets them -----------------

_TIP_COLUMNS = (
    ("Sample", "sample", None),
    ("Tip", "tip", None),
    ("Sites", "sites", 0),
    ("Sweeps", "sweeps", 0),
    ("φ (eV)", "barrier_eV", "barrier_se_eV"),
    ("u (eV)", "barrier_se_eV", "barrier_se_eV"),
    ("from (eV)", "barrier_low_eV", "barrier_se_eV"),
    ("to (eV)", "barrier_high_eV", "barrier_se_eV"),
    ("Between sites (eV)", "between_site_sd_eV", "barrier_se_eV"),
    ("u of calibration (eV)", "calibration_se_eV", "barrier_se_eV"),
    ("u in total (eV)", "total_se_eV", "barrier_se_eV"),
)
_UNASSIGNED_COLUMNS = (
    ("Series (# is a number)", "unassigned", None),
    ("Sample", "sample", None),
    ("Sweeps", "sweeps", 0),
    ("Used", "used", 0),
    ("Median φ (eV)", "median_eV", 2),
    ("lowest (eV)", "lowest_eV", 2),
    ("highest (eV)", "highest_eV", 2),
)
_SITE_COLUMNS = tuple(
    c if c[1] != "sites" else ("Site", "site", None) for c in _TIP_COLUMNS if c[1] not in ("between_site_sd_eV",)
)
_PAIR_COLUMNS = (
    ("Tip", "tip_a", None),
    ("against", "tip_b", None),
    ("Ratio", "ratio", 3),
    ("from", "ratio_low", 3),
    ("to", "ratio_high", 3),
    ("Difference (eV)", "difference_eV", 2),
    ("from (eV)", "difference_low_eV", 2),
    ("to (eV)", "difference_high_eV", 2),
    ("p, adjusted", "p_adjusted", "p"),
    ("Verdict", "verdict", None),
)
_SPECTRA_COLUMNS = (
    ("Used", "sweeps_used", 0),
    ("Left out", "sweeps_omitted", 0),
    ("Gap (meV)", "gap_meV", 0),
    ("u (meV)", "gap_se_meV", 1),
    ("Gap by", "gap_method", None),
    ("T (K)", "temperature_K", 1),
    ("Thermal (meV)", "thermal_meV", 1),
    ("Modulation (meV)", "modulation_meV", 1),
    ("Smoothing (meV)", "smoothing_meV", 1),
    ("Resolution (meV)", "resolution_meV", 1),
    ("Zero of bias (mV)", "bias_offset_mV", "bias_offset_se_mV"),
    ("u (mV)", "bias_offset_se_mV", "bias_offset_se_mV"),
    ("Zero of current (pA)", "current_offset_pA", "current_offset_se_pA"),
    ("u (pA)", "current_offset_se_pA", "current_offset_se_pA"),
    ("Zeros from", "zeros_from", None),
    ("Displacement (fF)", "displacement_fF", "displacement_se_fF"),
    ("u (fF)", "displacement_se_fF", "displacement_se_fF"),
    ("Flags", "flags", None),
)
_BUDGET_COLUMNS = (
    ("Sample", "sample", None),
    ("Tip", "tip", None),
    ("Component", "component", None),
    ("Size (eV)", "size_eV", 3),
    ("Kind", "kind", None),
    ("Note", "note", None),
)
_COMPONENT_COLUMNS = (
    ("Between", "level", None),
    ("Standard deviation (eV)", "sd_eV", 3),
    ("interval (eV)", "interval", None),
    ("(%)", "sd_percent", 1),
    ("Share of variance", "share", 2),
    ("Units", "units", 0),
    ("Intraclass correlation", "icc", 2),
    ("Curves worth one", "design_effect", 1),
    ("Note", "note", None),
)


def _tables(analysis: Analysis) -> dict[str, list[dict[str, Any]]]:
    barrier, spectra = analysis.barrier, analysis.spectra
    found: dict[str, list[dict[str, Any]]] = {"tips": [], "barrier": [], "spectra": []}

    def add(section: str, caption: str, frame: pd.DataFrame, columns: Any, file: str, *, folded: bool = False) -> None:
        if len(frame):
            head, rows = _cells(frame, columns)
            found[section].append({"caption": caption, "head": head, "rows": rows, "file": file, "folded": folded})

    if barrier is not None:
        add("tips", "Apparent barrier height φ by tip", barrier.tips, _TIP_COLUMNS, "barrier_tips.csv", folded=True)
        add(
            "tips",
            "Sweeps that stand for no tip, by series",
            barrier.unassigned,
            _UNASSIGNED_COLUMNS,
            "barrier_unassigned.csv",
        )
        add("tips", "Pairs of tips", barrier.pairs, _PAIR_COLUMNS, "barrier_pairs.csv", folded=len(barrier.pairs) > 3)
        for caption, frame, file in (
            ("Groups of tips (a tip is one replicate)", barrier.groups, "barrier_groups.csv"),
            ("Tests between groups of tips", barrier.group_tests, "barrier_group_tests.csv"),
        ):
            add("tips", caption, frame, _all_columns(frame), file)
        add(
            "barrier",
            "Apparent barrier height φ by site",
            barrier.sites,
            _SITE_COLUMNS,
            "barrier_sites.csv",
            folded=True,
        )
        components = components_with_intervals(barrier.components, analysis.plan.compare.confidence)
        add(
            "barrier",
            "Where the scatter comes from",
            components,
            _COMPONENT_COLUMNS,
            "barrier_components.csv",
            folded=True,
        )
        add("barrier", "Budget of uncertainty", barrier.budget, _BUDGET_COLUMNS, "barrier_budget.csv", folded=True)
    if spectra is not None and len(spectra.summary):
        shown = spectra_with_uncertainties(spectra)
        add("spectra", "Spectra", shown, (("Spectrum", "label", None), *_SPECTRA_COLUMNS), "spectra_summary.csv")
        for model in MODELS:
            if model.key in shown.columns:
                add("spectra", model.title, shown, _model_columns(model), "spectra_summary.csv")
    return found


def _cells(frame: pd.DataFrame, columns: Any) -> tuple[list[tuple[str, bool]], list[list[str]]]:
    present = [(head, name, digits) for head, name, digits in columns if name in frame.columns and _known(frame[name])]
    head = [(h, pd.api.types.is_numeric_dtype(frame[name])) for h, name, _ in present]
    rows = []
    for record in frame.to_dict(orient="records"):
        rows.append([_cell(record[name], record.get(d, d)) for _, name, d in present])
    return head, rows


def _model_columns(model: Model) -> list[tuple[str, str, Any]]:
    """Parameters with their uncertainties, then how good the fit is."""
    columns: list[tuple[str, str, Any]] = [("Spectrum", "label", None)]
    for parameter in model.parameters:
        value, error = model.columns(parameter)
        columns += [(parameter.heading, value, error), (f"u{parameter.heading[len(parameter.symbol) :]}", error, error)]
    return [*columns, ("Reduced chi²", f"{model.stem}_reduced_chi2", 2), ("Verdict", model.key, None)]


def _all_columns(frame: pd.DataFrame) -> tuple[tuple[str, str, int], ...]:
    """Every column under its own name, fractions with three decimals."""
    whole = {str(c) for c in frame.columns if pd.api.types.is_integer_dtype(frame[c])}
    return tuple((str(c).replace("_", " "), str(c), 0 if str(c) in whole else 3) for c in frame.columns)


def _known(column: pd.Series) -> bool:
    return bool(column.notna().any()) and not bool((column.astype(str) == "").all())


def _cell(value: Any, digits: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, (int, float)):
        if not math.isfinite(value):
            return "–"
        if digits == "p":
            return f"{value:.4f}" if value >= 1e-4 else "< 0.0001"
        places = digits if isinstance(digits, int) else decimals_for(float(digits)) if digits is not None else None
        return (f"{value:.{places}f}" if places is not None else f"{value:g}").replace("-", "−")
    return "" if value is None else str(value)


def _sweep_rows(summary: Summary) -> list[dict[str, Any]]:
    table, barrier = summary.sweeps, summary.analysis.barrier
    if barrier is not None:
        table = table.merge(barrier.sweeps[["sweep", "barrier_eV", "barrier_se_eV"]], on="sweep", how="left")
    flagged = (table["flags"] != "") | ~table["used"].astype(bool)
    table = table.assign(number=range(1, len(table) + 1), flagged=flagged)
    if len(table) > MOST_ROWS:
        table = table.sort_values("flagged", ascending=False, kind="stable").head(MOST_ROWS)
    rows = []
    for record in table.to_dict(orient="records"):
        barrier = record.get("barrier_eV", math.nan)
        rows.append(
            {
                **{str(k): v for k, v in record.items()},
                "kind": KIND_WORDS[record["kind"]],
                "barrier": _cell(barrier, decimals_for(float(record.get("barrier_se_eV", math.nan)))),
                "used": bool(record["used"]),
                "repeat": _cell(record["repeat"], None),
            }
        )
    return rows
