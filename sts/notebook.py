"""How results show themselves in a notebook: a compact table, and a figure where one says more."""

from __future__ import annotations

import base64
from collections.abc import Callable, Sequence
from html import escape
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from sts.analysis import Analysis, BarrierAnalysis, SpectraAnalysis
from sts.barrier.fit import BarrierFit
from sts.barrier.local import LocalBarrier
from sts.comparing.tip_change import rows_of as rows_by_name
from sts.comparing.tip_change import step_words
from sts.figures import (
    house_style,
    new_figure,
    plot_barriers,
    plot_iz_fits,
    plot_local_barrier,
    plot_spectra,
    plot_spectrum,
    plot_sweeps,
)
from sts.figures.saving import save
from sts.figures.style import rows_of
from sts.loaders import LoadedFile
from sts.quantities import LEAST_BIAS, range_with_prefix, with_prefix
from sts.report.number_words import NOT_RECORDED, count, distinct, listed, value_with_interval, value_with_uncertainty
from sts.report.spectra_words import gap_words, resolution_words
from sts.report.summary import Summary
from sts.showing import brief, told
from sts.simulate import Simulated
from sts.spectra.spectrum import Spectrum
from sts.sweeps import AXIS_UNITS, KIND_WORDS, KINDS, SweepSet

MOST_ROWS = 12
MOST_CURVES = 6
NOTEBOOK_DPI = 160  # a picture, not a drawing: a notebook keeps every output, and a drawing of many sweeps is large


def html_table(rows: dict[str, str], caption: str) -> str:
    """Names and values as a small HTML table; text is escaped.

    Parameters
    ----------
    rows : dict
        Name to value, both str.
    caption : str
    """
    body = "".join(
        f'<tr><th scope="row" style="text-align:left">{escape(name)}</th>'
        f'<td style="text-align:left">{escape(value)}</td></tr>'
        for name, value in rows.items()
    )
    return f'<table><caption style="text-align:left"><b>{escape(caption)}</b></caption><tbody>{body}</tbody></table>'


def figure_html(draw: Callable[[list[Axes]], object], alt: str, *, rows: Sequence[float] = (1.0,)) -> str:
    """A figure as a picture that stands by itself, so that nothing in it meets what else the notebook shows.

    Parameters
    ----------
    draw : callable
        Takes the list of Axes, one for each row.
    alt : str
        What it shows, in words.
    rows : sequence of float
        Heights of the Axes, relative.
    """
    with house_style():
        axes = new_figure(height_in=2.0 + 0.8 * len(rows), rows=rows)
        draw(axes)
        assert isinstance(axes[0].figure, Figure)
        data = base64.b64encode(save(axes[0].figure, "png", dpi=NOTEBOOK_DPI)).decode()
    return f'<img style="max-width:34em" alt="{escape(alt)}" src="data:image/png;base64,{data}">'


def sweeps_html(sweeps: SweepSet) -> str:
    """A set of sweeps: how many, on which axis, from which tips and sites.

    Parameters
    ----------
    sweeps : SweepSet
    """
    table = sweeps.table
    scale, unit = (1e9, "nm") if sweeps.kind == "iz" else (1.0, AXIS_UNITS["iv"])
    axis = f"{sweeps.axis[0] * scale:.4g} to {sweeps.axis[-1] * scale:.4g} {unit}, {len(sweeps.axis)} points"
    rows = {
        "sweeps": str(len(sweeps)),
        KINDS[sweeps.kind]: axis,
        **{name: listed(distinct(table[name])[:8]) or NOT_RECORDED for name in ("sample", "tip", "site", "direction")},
        "notes": "; ".join(sweeps.notes) or "none",
    }
    title = f"{KIND_WORDS[sweeps.kind]} sweeps"
    return html_table(rows, title) + figure_html(lambda axes: plot_sweeps(sweeps, ax=axes[0]), title)


def spectrum_html(spectrum: Spectrum) -> str:
    """An averaged spectrum: how many sweeps, gap, resolution, offsets, smoothing.

    Parameters
    ----------
    spectrum : Spectrum
    """
    trusted = abs(spectrum.bias[spectrum.trusted])
    rows = {
        "sweeps": f"{len(spectrum.sweeps)} used, {len(spectrum.omitted)} left out",
        "bias": f"{range_with_prefix(spectrum.bias[0], spectrum.bias[-1], 'V', 4, least=LEAST_BIAS)}, {len(spectrum.bias)} points",
        "gap": gap_words(spectrum),
        "resolution": resolution_words([spectrum]).removeprefix("resolution "),
        "smoothing": spectrum.smoothing,
        "offsets": spectrum.offsets.how,
        "(dI/dV)/(I/V)": f"trusted beyond ±{with_prefix(trusted.min() * 1e3, 'mV')}"
        if trusted.size
        else "nowhere trusted",
    }
    title = f"Spectrum: {spectrum.label}"
    return html_table(rows, title) + figure_html(lambda axes: plot_spectrum(spectrum, ax=axes[0]), title)


def barrier_html(fit: BarrierFit) -> str:
    """Fits of I(z): one row per sweep, the first dozen; three of those used as a figure.

    Parameters
    ----------
    fit : BarrierFit
    """
    rows = {}
    for record in fit.table.head(MOST_ROWS).to_dict(orient="records"):
        flags = f" [{record['flags']}]" if record["flags"] else ""
        used = "" if record["used"] else ", left out"
        value: Any = record["barrier_eV"]
        words = (
            value_with_uncertainty(float(value), float(record["barrier_se_eV"]), "eV") if value == value else "no fit"
        )
        rows[str(record["sweep"])] = f"{words}{used}{flags}"
    if len(fit.table) > MOST_ROWS:
        rows["…"] = f"and {count(len(fit.table) - MOST_ROWS, 'more sweep')}"
    title = "Apparent barrier heights"
    drawn = list(np.flatnonzero(fit.table["used"].to_numpy(bool))[:3])
    if not drawn:
        return html_table(rows, title)
    return html_table(rows, title) + figure_html(
        lambda axes: plot_iz_fits(fit, drawn, axes=axes), title, rows=(2.2, 1.0)
    )


def spectra_html(spectra: SpectraAnalysis) -> str:
    """Averaged spectra: one row each, and all that share a unit in one figure.

    Parameters
    ----------
    spectra : SpectraAnalysis
    """
    rows = {
        one.label: f"{count(len(one.sweeps), 'sweep')}; {gap_words(one)}; {resolution_words([one])}" for one in spectra
    }
    title = f"{count(len(spectra.labels), 'spectrum', 'spectra')}"
    text = html_table(dict(list(rows.items())[:MOST_ROWS]), title)
    drawn = [one for one in spectra if one.didv_unit == spectra[0].didv_unit and np.isfinite(one.didv).any()][
        :MOST_CURVES
    ]
    if not drawn:
        return text
    return text + figure_html(lambda axes: plot_spectra(drawn, ax=axes[0]), title)


def barriers_html(barrier: BarrierAnalysis) -> str:
    """Barriers: one row per tip with its interval, and the figure of them.

    Parameters
    ----------
    barrier : BarrierAnalysis
    """
    rows = {}
    states = {(row["sample"], row["tip"]): step_words(row) for row in rows_by_name(barrier.steps)}
    for tip in rows_of(barrier.tips):
        half = (tip.barrier_high_eV - tip.barrier_low_eV) / 2
        words = (
            value_with_uncertainty(float(tip.barrier_eV), float(half), "eV")
            if half == half
            else f"{tip.barrier_eV:.2f} eV"
        )
        words = states.get((tip.sample, tip.tip), words)
        rows[f"{tip.tip}, {tip.sample}"] = (
            f"{words}; {count(int(tip.sites), 'site')}, {count(int(tip.sweeps), 'sweep')}"
        )
    for change in rows_of(barrier.changes) if len(barrier.changes) else ():
        ratio = value_with_interval(change.ratio, change.ratio_low, change.ratio_high, "")
        rows[f"{change.tip}, {change.state_b} over {change.state_a}"] = f"{ratio}; {change.verdict}; {change.units}"
    rows |= {"note": " ".join(barrier.notes)} if barrier.notes else {}
    title = "Apparent barrier heights by tip, ± half of the interval"
    if not len(barrier.tips):
        return html_table(rows, title)
    return html_table(rows, title) + figure_html(lambda axes: plot_barriers(barrier, ax=axes[0]), title)


def analysis_html(analysis: Analysis) -> str:
    """The first screen of the report: which tip was good, questions and answers, and the main figure.

    Parameters
    ----------
    analysis : Analysis
    """
    good = {
        f"{row.tip}, {row.sample}".strip(", "): f"{row.verdict}: {row.reasons}".rstrip(": ")
        for row in rows_of(analysis.verdicts)
    }
    text = html_table(good, "Which tip was good?") if good else ""
    text += html_table(
        {a.question: f"{a.sentence} {a.warning}".strip() for a in Summary(analysis).answers}, analysis.session
    )
    barrier, spectra = analysis.barrier, analysis.spectra
    if barrier is not None and len(barrier.tips):
        return text + figure_html(lambda axes: plot_barriers(barrier, ax=axes[0]), "Apparent barrier heights by tip")
    if spectra is not None and spectra.spectra:
        return text + figure_html(lambda axes: plot_spectrum(spectra[0], ax=axes[0]), f"Spectrum: {spectra[0].label}")
    return text


def local_html(local: LocalBarrier) -> str:
    """Local barriers: the first sweeps as curves.

    Parameters
    ----------
    local : LocalBarrier
    """
    title = f"Local barrier of {count(len(local.sweeps), 'sweep')}"
    parts = [(local, name) for name in local.sweeps[:3]]
    if not parts:
        return html_table(told(local), title)
    rows = (1.0,) * len(parts)
    return html_table(told(local), title) + figure_html(
        lambda axes: plot_local_barrier(parts, axes=axes), title, rows=rows
    )


def simulated_html(made: Simulated) -> str:
    """Simulated sweeps: the truth, and the sweeps.

    Parameters
    ----------
    made : Simulated
    """
    rows = {name: brief(value) for name, value in made.truth.items()}
    return html_table(rows, "True of these sweeps") + sweeps_html(made.sweeps)


def file_html(file: LoadedFile) -> str:
    """A file that was read: what was noticed, and its first sweeps.

    Parameters
    ----------
    file : LoadedFile
    """
    text = html_table({"read as": file.reader, "notes": "; ".join(file.notes) or "none"}, file.name)
    return text + "".join(sweeps_html(sweeps) for sweeps in file.sets[:1])


_HTML: dict[type, Callable[[Any], str]] = {
    SweepSet: sweeps_html, Spectrum: spectrum_html, BarrierFit: barrier_html, SpectraAnalysis: spectra_html,
    BarrierAnalysis: barriers_html, Analysis: analysis_html, LocalBarrier: local_html, Simulated: simulated_html,
    LoadedFile: file_html,
}  # fmt: skip


def html(result: Any) -> str:
    """A result as HTML for a notebook: a table, and a figure where there is something to draw.

    Parameters
    ----------
    result : Shown
        Any result of `sts`; one without a form of its own is the table of its fields.
    """
    own = _HTML.get(type(result))
    return own(result) if own else html_table(told(result), type(result).__name__)
