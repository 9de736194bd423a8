"""Results to a folder: page, figures, tables, arrays, plan. All is made first, then written; nothing is half there."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from sts.analysis import Analysis
from sts.barrier.fit import SWEEP_COLUMNS
from sts.comparing.pairs import PAIR_COLUMNS
from sts.comparing.sites_and_tips import SITE_COLUMNS, TIP_COLUMNS
from sts.flags import COLUMNS
from sts.naming import unique_files
from sts.report.arrays import RESULTS_FORMAT, arrays_file
from sts.report.citations import bibtex
from sts.report.drawing import Drawn, draw_all, figure_files, figure_name
from sts.report.folder import PARTS, RECORD, pdf_maker, pdf_of, ready_to_write, write_files
from sts.report.page import render_page
from sts.report.pictures import gallery
from sts.report.pictures_sweeps import own_sweeps
from sts.report.pictures_together import Together, together_picture
from sts.report.summary import Summary
from sts.report.tables import as_bytes, csv_text, json_text
from sts.settings import write_toml
from sts.spectra import setpoint_trends
from sts.spectra.models import MODELS
from sts.spectra.spectrum import Spectrum

MOST_ROWS = 5000  # of a table that results.json repeats
LONG = {
    "sweeps": "sweeps.csv", "barrier.sweeps": "barrier_sweeps.csv", "barrier.directions": "barrier_directions.csv",
}  # fmt: skip


def write_results(
    analysis: Analysis,
    out: str | Path,
    *,
    what: str = "report",
    pdf: bool = False,
    force: bool = False,
    renew: bool = False,
    together: Together | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> list[Path]:
    """Write an analysis to a folder.

    Parameters
    ----------
    analysis : Analysis
    out : path
        The folder; made if it is not there.
    what : str
        ``"report"`` for all with the page, ``"spectra"``, ``"barrier"`` or ``"compare"`` for the tables and figures of
        that part.
    pdf : bool
        Also the page as PDF; needs the extra ``pdf``.
    force : bool
        Overwrite results that are there already.
    renew : bool
        Overwrite those that an earlier call wrote, and nothing else.
    together : Together, optional
        A figure of all spectra in one, for a paper: also as PDF.
    progress : callable(done, total), optional

    Returns
    -------
    list of pathlib.Path
        The files written. Equal input gives equal bytes.

    Raises
    ------
    ValueError
        If `what` is unknown, or a file would be overwritten that may not be (see `ready_to_write`), or the labels of
        `together` are not one for each spectrum.

    Examples
    --------
    >>> made = sts.simulate_iz(barrier_eV=4.0, sweeps=4, bench=sts.simulate.Bench(white_A=1e-12), seed=1)
    >>> np.savez("heron.npz", height_m=made.sweeps.axis, current_A=made.sweeps.current)
    >>> imported = sts.import_files(["heron.npz"], "session.h5", values={"tip": "heron"})
    >>> written = sts.write_results(sts.analyse("session.h5"), "results", what="compare")
    >>> [path.name for path in written if path.suffix == ".csv" and "tips" in path.name]
    ['barrier_tips.csv']
    """
    if what == RECORD:
        raise ValueError(
            "The record of tips is not of one analysis: sts.tip_record makes it, sts.write_tip_record writes it."
        )
    before = ready_to_write(out, what=what, pdf=pdf, force=force, renew=renew)
    folder, maker = Path(out), pdf_maker() if pdf and what == "report" else None
    summary = Summary(analysis)
    pictures = [p for p in gallery(summary) if p.reading.section in PARTS[what]]
    if together is not None and analysis.spectra is not None:
        pictures.append(together_picture(analysis.spectra.spectra, together))
    drawn = draw_all(pictures, analysis.plan.report, progress)
    content = contents(summary, drawn, what)
    if maker is not None:
        content["report.pdf"] = pdf_of(render_page(summary, drawn, paper=True), maker)
    written = write_files(folder, content, force=force, before=before)
    if progress is not None:
        progress(len(pictures) + 1, len(pictures) + 1)
    return written


def contents(summary: Summary, drawn: Sequence[Drawn], what: str = "report") -> dict[str, bytes]:
    """Every file of the results, by its name within the folder.

    Parameters
    ----------
    summary : Summary
    drawn : sequence of Drawn
        The figures.
    what : str
        As in `write_results`.
    """
    analysis = summary.analysis
    tables = result_tables(analysis, what)
    texts = {name: csv_text(frame) for name, frame in tables.items()}
    texts["plan.toml"] = write_toml(analysis.plan)
    texts["references.bib"] = bibtex(analysis)
    texts |= wide_tables(analysis, what)
    files = {name: as_bytes(text) for name, text in texts.items()} | figure_files(drawn)
    files["results.h5"] = arrays_file(analysis)
    if what == "report":
        files["report.html"] = as_bytes(render_page(summary, drawn))
    numbers = {**_short(_numbers(summary)), "what": what, "files": sorted([*files, "results.json"])}
    files["results.json"] = as_bytes(json_text(numbers))
    return dict(sorted(files.items()))


def result_tables(analysis: Analysis, what: str = "report") -> dict[str, pd.DataFrame]:
    """The tables of the results by file name; empty ones are left out, except those that are a contract.

    Parameters
    ----------
    analysis : Analysis
    what : str
        As in `write_results`.
    """
    found: dict[str, pd.DataFrame] = {}
    barrier, spectra = analysis.barrier, analysis.spectra
    if barrier is not None and what != "spectra":
        found |= {
            "barrier_tips.csv": _with_columns(barrier.tips, TIP_COLUMNS),
            "barrier_pairs.csv": _with_columns(barrier.pairs, PAIR_COLUMNS),
            "barrier_sites.csv": _with_columns(barrier.sites, SITE_COLUMNS),
            "barrier_sweeps.csv": _with_columns(barrier.sweeps, SWEEP_COLUMNS),
        }
        more = {
            "barrier_groups.csv": barrier.groups,
            "barrier_group_tests.csv": barrier.group_tests,
            "barrier_changes.csv": barrier.changes,
            "barrier_states.csv": barrier.states,
            "barrier_components.csv": barrier.components,
            "barrier_budget.csv": barrier.budget,
            "barrier_directions.csv": barrier.directions,
            "barrier_window.csv": barrier.window,
            "barrier_unassigned.csv": barrier.unassigned,
            "barrier_steps.csv": barrier.steps,
            "barrier_runs.csv": barrier.runs,
        }
        found |= {name: frame for name, frame in more.items() if len(frame)}
    if spectra is not None and what in ("report", "spectra"):
        found |= {"spectra.csv": spectra.table, "spectra_summary.csv": spectra.summary}
        per_spectrum = {"gaps": "spectra_gaps.csv", "peaks": "spectra_peaks.csv"}
        for attribute, name in per_spectrum.items():
            parts = [
                getattr(s, attribute).assign(**dict(s.keys.items()))
                for s in spectra.spectra
                if getattr(s, attribute) is not None and len(getattr(s, attribute))
            ]
            if parts:
                frame = pd.concat(parts, ignore_index=True)
                keys = [k for k in dict.fromkeys(k for s in spectra.spectra for k in s.keys) if k in frame.columns]
                found[name] = frame[[*keys, *(c for c in frame.columns if c not in keys)]]
        for name, frame in sweep_tables(spectra.spectra).items():
            found[name] = frame
        trends = setpoint_trends(spectra.spectra)
        if len(trends):
            found["spectra_setpoints.csv"] = trends
    if what == "report":
        found |= {
            "tip_verdicts.csv": analysis.verdicts,
            "sweeps.csv": analysis.judged,
            "flags.csv": analysis.flags[COLUMNS],
            "sources.csv": analysis.sources,
            "decisions.csv": analysis.decisions,
            "calibrations.csv": analysis.calibrations,
        }
    return found


def sweep_tables(spectra: Sequence[Spectrum]) -> dict[str, pd.DataFrame]:
    """Gap and peaks of each sweep, and whether sites differ in them, by file name.

    Parameters
    ----------
    spectra : sequence of Spectrum
    """
    found = {}
    parts = {
        "spectra_sweeps.csv": [(s, s.sweep_features) for s in own_sweeps(spectra)],
        "spectra_differences.csv": [(s, s.differences) for s in spectra],
    }
    for name, tables in parts.items():
        frames = [frame.assign(**s.keys)[[*s.keys, *frame.columns.drop(list(s.keys), errors="ignore")]]
                  for s, frame in tables if frame is not None and len(frame)]  # fmt: skip
        if frames:
            found[name] = pd.concat(frames, ignore_index=True)
    return found


def wide_tables(analysis: Analysis, what: str = "report") -> dict[str, str]:
    """A table for each spectrum by file name: one row per bias, a column per quantity with the unit in its name.

    Parameters
    ----------
    analysis : Analysis
    what : str
        As in `write_results`.
    """
    if analysis.spectra is None or what not in ("report", "spectra"):
        return {}
    names = unique_files(figure_name(spectrum.label) for spectrum in analysis.spectra)
    decimal = analysis.plan.report.decimal
    frames = [spectrum.frame(prefixes=True) for spectrum in analysis.spectra]
    return {f"spectra/{name}.csv": csv_text(frame, decimal=decimal) for name, frame in zip(names, frames, strict=True)}


def _with_columns(frame: pd.DataFrame, columns: Sequence[str]) -> pd.DataFrame:
    """A table that has the contract's columns also when it has no rows."""
    return frame if len(frame.columns) else pd.DataFrame({c: pd.Series(dtype=object) for c in columns})


def _short(numbers: dict[str, Any]) -> dict[str, Any]:
    """The same without tables of more rows than `MOST_ROWS` that a CSV beside it holds (`tables_beside` names it), and with
    the number of sweeps of a spectrum in place of so many names, which `results.h5` holds."""
    short, beside = dict(numbers), {}
    for path, file in LONG.items():
        *above, name = path.split(".")
        holder = short
        for key in above:
            holder[key] = dict(holder[key]) if key in holder else {}
            holder = holder[key]
        if len(holder.get(name, ())) > MOST_ROWS:
            del holder[name]
            beside[path] = file
    if "spectra" in short:
        each = [
            one if len(one["sweeps"]) <= MOST_ROWS
            else {**{key: value for key, value in one.items() if key != "sweeps"}, "sweep_count": len(one["sweeps"])}
            for one in short["spectra"]["each"]
        ]  # fmt: skip
        short["spectra"] = short["spectra"] | {"each": each}
    return short | ({"tables_beside": beside} if beside else {})


def _numbers(summary: Summary) -> dict[str, Any]:
    analysis = summary.analysis
    found: dict[str, Any] = {
        "format": RESULTS_FORMAT,
        "session": analysis.session,
        "versions": analysis.versions,
        "plan": analysis.plan.model_dump(),
        "plan_sha256": hashlib.sha256(write_toml(analysis.plan).encode()).hexdigest(),
        "sources": analysis.sources,
        "decisions": analysis.decisions,
        "calibrations": analysis.calibrations,
        "verdicts": analysis.verdicts,
        "sweeps": analysis.judged,
        "order": {"basis": analysis.order.basis, "words": analysis.order.words},
        "by_hand": {
            "sentence": analysis.by_hand.sentence,
            "cautions": analysis.by_hand.cautions,
            "tips": analysis.by_hand.tips,
            "sweeps": analysis.by_hand.sweeps,
            "spectra": analysis.by_hand.spectra,
        },
        "flags": summary.flags,
        "findings": [{"question": a.question, "answer": a.sentence, "warning": a.warning} for a in summary.answers],
        "improvements": summary.improvements,
        "methods": summary.methods,
        "checklist": [
            {"item": i.key, "name": i.name, "value": i.value, "missing": i.missing} for i in summary.checklist
        ],
    }
    if analysis.barrier is not None:
        b = analysis.barrier
        parts = ("sweeps", "directions", "sites", "tips", "pairs", "groups", "components", "budget", "advice", "notes",
                 "unassigned", "changes", "states", "steps", "runs")  # fmt: skip
        found["barrier"] = {name: getattr(b, name) for name in parts}
    if analysis.spectra is not None:
        found["spectra"] = {
            "summary": analysis.spectra.summary,
            "notes": analysis.spectra.notes,
            "each": [
                {
                    "label": s.label,
                    "keys": s.keys,
                    "sweeps": s.sweeps,
                    "omitted": s.omitted,
                    "smoothing": s.smoothing,
                    "offsets": vars(s.offsets),
                    "resolution": vars(s.resolution),
                    "directions": s.directions,
                    "gaps": s.gaps,
                    "peaks": s.peaks,
                    "differences": s.differences,
                    "fits": {m.key: m.numbers(s.fits[m.key]) for m in MODELS if m.key in s.fits},
                }
                for s in analysis.spectra.spectra
            ],
        }
    return found
