"""The first screen in words, written from the results by rules: what was found, what to trust, what to do next."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from sts.analysis import Analysis, BarrierAnalysis, SpectraAnalysis
from sts.figures.spectra import modulation_unknown
from sts.figures.style import rows_of
from sts.flags import FLAGS
from sts.report.lookup import low_barrier_tips
from sts.report.number_words import count, level_words, listed, value_with_interval, value_with_uncertainty
from sts.spectra.models import MODELS, LineFit, Model
from sts.spectra.spectrum import Spectrum

MOST_NAMED = 6  # more tips or spectra than this are summed up instead of listed


@dataclass(frozen=True)
class Answer:
    """One question of the first screen with its answer."""

    question: str
    sentence: str
    warning: str = ""  # said in so many words beside the answer


def answers(analysis: Analysis, panel: Sequence[dict[str, Any]]) -> list[Answer]:
    """The questions that these results can answer, each in a sentence.

    Parameters
    ----------
    analysis : Analysis
    panel : sequence of dict
        As `flag_panel` gives it.
    """
    found = []
    level = analysis.plan.compare.confidence
    if unassigned := int((analysis.judged["unassigned"] != "").sum()):
        found.append(_unassigned(analysis, unassigned))
    if analysis.barrier is not None and len(analysis.barrier.tips):
        found.append(_barriers(analysis, analysis.barrier, level))
        found.append(_differ(analysis, analysis.barrier, level))
    if analysis.spectra is not None and analysis.spectra.spectra:
        found.append(_spectra(analysis.spectra))
    found.append(_doubtful(analysis, panel))
    if sentence := analysis.by_hand.sentence:
        found.append(Answer("What was decided by hand?", sentence, " ".join(analysis.by_hand.cautions)))
    return found


def _unassigned(analysis: Analysis, number: int) -> Answer:
    """How many sweeps stand for no tip and why, what they show, and how to say whose they are."""
    judged = analysis.judged[analysis.judged["unassigned"] != ""]
    series = list(dict.fromkeys(judged["unassigned"]))
    nameless = int((judged["tip"] == "").sum())
    whole = count(len(analysis.judged), "sweep")
    why = [f"{nameless} of {whole} {'has' if nameless == 1 else 'have'} no tip"] if nameless else []
    if apart := number - nameless:
        why.append(
            f"{apart} of {whole} {'is' if apart == 1 else 'are'} of columns that do not agree and were kept apart"
        )
    parts = []
    if analysis.barrier is not None:
        for row in list(rows_of(analysis.barrier.unassigned))[:MOST_NAMED]:
            if math.isfinite(row.median_eV):
                one = f"{row.median_eV:.2f} eV" if row.used == 1 else f"{row.lowest_eV:.2f} to {row.highest_eV:.2f} eV"
                parts.append(f"{row.unassigned}: {count(row.used, 'sweep')}, {one}")
    shown = f" Their barriers are those of single sweeps: {'; '.join(parts)}." if parts else ""
    more = f" and {len(series) - 4} more series" if len(series) > 4 else ""
    remedy = "they stand for no tip, and are not compared."
    if nameless:
        remedy += (
            " If all without a tip are of one: sts annotate SESSION --set tip=NAME; else sts logbook SESSION --out "
            "logbook.csv, fill it in, and sts annotate SESSION --logbook logbook.csv."
        )
    if apart:
        remedy += ' What the columns are, a recipe says on import: repeat = 1, 2, ... or read_as = "unused".'
    return Answer("Which sweeps stand for no tip?", f"{'; '.join(why)} ({listed(series[:4])}{more}).{shown}", remedy)


def tip_name(sample: str, tip: str, tips: pd.DataFrame) -> str:
    """The tip's name, with the sample where there are several.

    Parameters
    ----------
    sample : str
    tip : str
    tips : pandas.DataFrame
        All tips, with column `sample`.
    """
    name = tip or "(no tip)"
    return f"{name} on {sample}" if tips["sample"].nunique() > 1 and sample else name


def _barriers(analysis: Analysis, barrier: BarrierAnalysis, level: float) -> Answer:
    tips = barrier.tips
    low = low_barrier_tips(analysis)

    def words(row: Any) -> str:
        counts = f"{count(row.sites, 'site')}, {count(row.sweeps, 'sweep')}"
        number = value_with_interval(row.barrier_eV, row.barrier_low_eV, row.barrier_high_eV, "eV")
        return f"{tip_name(row.sample, row.tip, tips)} {number[:-1]}; {counts})"

    rows = list(rows_of(tips))
    start = f"Apparent barrier height with {level_words(level)} interval: "
    if len(rows) <= MOST_NAMED:
        sentence = start + listed([words(r) for r in rows]) + "."
    else:
        ordered = sorted((r for r in rows if math.isfinite(r.barrier_eV)), key=lambda r: float(r.barrier_eV))
        sentence = f"{start}{len(rows)} tips, from {words(ordered[0])} to {words(ordered[-1])}; the table lists all."
    warnings = [
        f"{tip_name(r.sample, r.tip, tips)}: {r.barrier_eV:.2f} eV is not a work function, but usual in air: "
        "compare tips, not metals."
        for r in rows
        if (r.sample, r.tip) in low
    ]
    if len(warnings) > 3:
        warnings = [
            (
                f"{len(low)} of {len(rows)} tips read below 1 eV: not work functions, but usual in air; "
                "compare tips, not metals."
            )
        ]
    return Answer("What are the barriers?", sentence, " ".join(warnings))


def _pair(row: Any) -> str:
    return f"{row.tip_a} against {row.tip_b} {value_with_interval(row.ratio, row.ratio_low, row.ratio_high, '')}"


def _differ(analysis: Analysis, barrier: BarrierAnalysis, level: float) -> Answer:
    question = "Do the tips differ?"
    rows = list(rows_of(barrier.pairs))
    if not rows:
        if (analysis.judged["unassigned"] != "").any():
            return Answer(question, "One tip has a name; sweeps that stand for no tip are not compared.")
        return Answer(question, "One tip only: there is nothing to compare.")
    apart = [r for r in rows if r.verdict == "differ"]
    alike = [r for r in rows if r.verdict == "no difference shown"]
    untested = [r for r in rows if r.verdict not in ("differ", "no difference shown")]
    low = {tip for _, tip in low_barrier_tips(analysis)}
    clean = sorted((r for r in apart if not {r.tip_a, r.tip_b} & low), key=lambda r: abs(math.log(r.ratio)))
    quoted = (clean or sorted(apart, key=lambda r: abs(math.log(r.ratio))))[:3]
    parts = []
    if apart:
        parts.append(
            f"{len(apart)} of {count(len(rows), 'pair')} differ (ratio of barriers, intervals that hold for all pairs "
            f"together at {level_words(level)}): {listed([_pair(r) for r in quoted])}"
            + (f", and {count(len(apart) - len(quoted), 'more pair')}" if len(apart) > len(quoted) else "")
        )
    if alike:
        shown = [_pair(r) for r in alike[:3]]
        parts.append(
            f"no difference is shown for {len(alike)}: {listed(shown)}"
            + (f", and {len(alike) - 3} more" if len(alike) > 3 else "")
        )
    if untested:
        parts.append(
            f"{count(len(untested), 'pair')} cannot be judged ({listed(sorted({r.verdict for r in untested}))})"
        )
    sentence = "; ".join(parts) + "."
    sites = f" A site is one replicate of a tip; {int(barrier.tips['sites'].sum())} sites in all."
    return Answer(question, sentence[:1].upper() + sentence[1:] + sites)


TWICE = " (± twice the standard uncertainty)"


def gap_words(spectrum: Spectrum) -> str:
    """What the gap table of a spectrum says, by each definition.

    Parameters
    ----------
    spectrum : Spectrum
    """
    words = gaps_words([spectrum])
    return f"{words}{TWICE}" if "±" in words else words


def gaps_words(spectra: Sequence[Spectrum]) -> str:
    """What the gap tables of spectra say, the surest definition first; several spectra as the range of their gaps.

    Parameters
    ----------
    spectra : sequence of Spectrum
    """
    found: dict[str, list[tuple[float, float]]] = {}
    for spectrum in spectra:
        for row in rows_of(spectrum.gaps) if spectrum.gaps is not None else ():
            if math.isfinite(row.gap_meV):
                found.setdefault(str(row.gap_method), []).append((float(row.gap_meV), 2 * float(row.gap_se_meV)))
    if not found:
        looked = any(s.gaps is not None and len(s.gaps) for s in spectra)
        return "no gap is found" if looked else "no gap was looked for or found"
    parts = []
    surest = sorted(found.items(), key=lambda item: np.nan_to_num(np.median([u for _, u in item[1]]), nan=np.inf))
    for method, values in surest:
        low, high = min(values), max(values)
        number = value_with_uncertainty(*low, "meV")
        parts.append(
            f"{number} by {method}"
            if low == high
            else f"{number} to {value_with_uncertainty(*high, 'meV')} by {method}"
        )
    return f"gap {listed(parts)}"


def model_words(model: Model, fit: LineFit) -> str:
    """What a model fitted to a spectrum says: each free parameter with twice its standard uncertainty, and the verdict.

    Parameters
    ----------
    model : Model
    fit : LineFit
    """
    parts = [f"{p.symbol} = {value_with_uncertainty(p.scale * fit.values[p.name], 2 * p.scale * fit.errors[p.name], p.unit)}"
             for p in model.parameters if p.name in fit.errors]  # fmt: skip
    return f"{listed(parts)}{TWICE}; fit {fit.verdict}" if parts else fit.verdict


def resolution_words(spectra: Sequence[Spectrum]) -> str:
    """The energy resolution of spectra or its range; a lower bound where the modulation is not known.

    Parameters
    ----------
    spectra : sequence of Spectrum
    """
    widths = [s.resolution.total_V * 1e3 for s in spectra if s.resolution.total_V > 0]
    if not widths:
        return "resolution unknown"
    low, high = min(widths), max(widths)
    size = f"{high:.3g} meV" if low >= 0.95 * high else f"{low:.3g} to {high:.3g} meV"
    if any(modulation_unknown(s) for s in spectra):
        return f"resolution at least {size} (modulation unknown)"
    return f"resolution {size}"


def widest_chosen(spectrum: Spectrum) -> bool:
    """Whether the smoothing ran into the widest width tried.

    Parameters
    ----------
    spectrum : Spectrum
    """
    table = spectrum.criterion
    if table is None or not len(table):
        return False
    chosen = table.loc[table["chosen"].astype(bool), "width_V"].to_numpy(float)
    return bool(chosen.size and chosen[0] >= table["width_V"].max())


def _spectra(spectra: SpectraAnalysis) -> Answer:
    by_sample: dict[str, list[Spectrum]] = {}
    for one in spectra.spectra:
        by_sample.setdefault(str(one.keys.get("sample", one.label)), []).append(one)

    def words(sample: str, group: list[Spectrum]) -> str:
        seen = resolution_words(group)
        if widest := sum(widest_chosen(s) for s in group):
            seen += f" (in {widest} of {len(group)} the widest smoothing tried: no structure asks for a finer one)"
        name = group[0].label if len(group) == 1 else f"{sample or 'all sweeps'} ({len(group)} spectra)"
        fits = [f"{m.title.lower()}, {model_words(m, group[0].fits[m.key])}" for m in MODELS
                if len(group) == 1 and m.key in group[0].fits]  # fmt: skip
        seen = ", ".join([*fits, seen])
        return f"{name}: {gaps_words(group)}, {seen}, {count(len({name for s in group for name in s.sweeps}), 'sweep')}"

    named = list(by_sample.items())[:MOST_NAMED]
    methods = {str(m) for s in spectra.spectra if s.gaps is not None for m in s.gaps["gap_method"]}
    warning = ""
    if any(m.startswith("log onset") for m in methods) and any(m.startswith("extrapolation") for m in methods):
        warning = (
            "two definitions give two gaps: log onset is where dI/dV leaves its floor (blur brings it inward), "
            "extrapolation is where the edge, made straight, meets zero."
        )
    sentence = "; ".join(words(sample, group) for sample, group in named)
    sentence += f"{TWICE}." if "±" in sentence else "."
    if len(by_sample) > MOST_NAMED:
        sentence += f" {len(by_sample) - MOST_NAMED} more samples stand in the table."
    return Answer("What does the spectrum show?", sentence[:1].upper() + sentence[1:], warning)


def _doubtful(analysis: Analysis, panel: Sequence[dict[str, Any]]) -> Answer:
    judged = analysis.judged
    out = judged[~judged["used"].astype(bool)]
    sentence = f"{len(out)} of {count(len(judged), 'sweep')} {'was' if len(out) == 1 else 'were'} left out"
    by_person = int((out["decided_by"] == "person").sum())
    reasons = [f"{row['flag']} {row['left_out']}" for row in panel if row["left_out"]]
    if reasons or by_person:
        several = "; one may have several" if sum(r["left_out"] for r in panel) + by_person > len(out) else ""
        sentence += f" ({listed([*reasons, f'by a person {by_person}' if by_person else ''])}{several})"
    kept = [row for row in panel if row["kept"]]
    if kept:
        worst = max(kept, key=lambda row: row["kept"])
        sentence += (
            f"; {count(flagged_and_kept(analysis), 'sweep')} that were kept carry a flag, most often "
            f"“{worst['flag']}” ({worst['kept']}: {worst['meaning']})"
        )
    else:
        sentence += "; no sweep that was kept carries a flag"
    return Answer("What is doubtful?", sentence + ".")


def flagged_and_kept(analysis: Analysis) -> int:
    """How many sweeps carry a flag and are used all the same.

    Parameters
    ----------
    analysis : Analysis
    """
    flags = analysis.flags
    used = set(analysis.judged.loc[analysis.judged["used"].astype(bool), "sweep"])
    return len(set(flags["sweep"]) & used)


def flag_panel(analysis: Analysis) -> list[dict[str, Any]]:
    """Flags by kind: how many sweeps that were kept and left out carry each, what it means, what to do.

    Parameters
    ----------
    analysis : Analysis
    """
    flags = analysis.flags
    used = dict(zip(analysis.judged["sweep"], analysis.judged["used"].astype(bool), strict=True))
    rows = []
    for name, group in flags.groupby("flag", sort=False):
        known = FLAGS.get(str(name))
        states = [used.get(sweep) for sweep in group["sweep"]]
        example = next((d for d in group["detail"] if d), "")
        rows.append(
            {
                "flag": str(name),
                "kept": sum(state is True for state in states),
                "left_out": sum(state is False for state in states),
                "groups": sum(state is None for state in states),
                "meaning": known.meaning if known else "",
                "remedy": known.remedy if known else "",
                "example": f"{group['sweep'].iloc[0]}: {example}" if example else "",
            }
        )
    return sorted(rows, key=lambda row: (-row["left_out"], -row["kept"], row["flag"]))
