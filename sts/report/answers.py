"""The first screen in words, written from the results by rules: what was found, what to trust, what to do next."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from sts.analysis import Analysis, BarrierAnalysis
from sts.comparing.tip_change import rows_of as rows_by_name
from sts.comparing.tip_change import step_words
from sts.figures.style import rows_of
from sts.flags import FLAGS
from sts.report.lookup import low_barrier_tips
from sts.report.number_words import count, level_words, listed, value_with_interval
from sts.report.spectra_words import MOST_NAMED, lockin_words, spectra_words
from sts.report.state_words import STATES, mixed_with, state_answer
from sts.report.step_words import QUESTION, change_lines, change_remedies

STEPPED = QUESTION
BARRIERS, DIFFER = "What are the barriers?", "Do the tips differ?"
LOCKIN = "Does the lock-in agree with the current?"
SPECTRUM, DOUBTFUL = "What does the spectrum show?", "What is doubtful?"


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
    if analysis.barrier is not None and (lines := change_lines(analysis.barrier)):
        found.append(Answer(STEPPED, " ".join(lines), " ".join(change_remedies(analysis.barrier))))
    if analysis.barrier is not None and len(analysis.barrier.tips):
        found.append(_barriers(analysis, analysis.barrier, level))
        found.append(_differ(analysis, analysis.barrier, level))
        if changed := state_answer(analysis.barrier, level):
            found.append(Answer(STATES, changed, mixed_with(analysis.barrier)))
    if analysis.spectra is not None and analysis.spectra.spectra:
        found.append(Answer(SPECTRUM, *spectra_words(analysis.spectra.spectra)))
        if lines := lockin_words(analysis.spectra.spectra):
            found.append(Answer(LOCKIN, " ".join(lines)))
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
    said = [f"{nameless} of {whole} {'has' if nameless == 1 else 'have'} no tip."] if nameless else []
    if apart := number - nameless:
        said.append(
            f"{apart} of {whole} {'is' if apart == 1 else 'are'} of columns that do not agree and were kept apart."
        )
    more = f" and {len(series) - 4} more" if len(series) > 4 else ""
    said.append(f"Series: {listed(series[:4])}{more}.")
    parts = []
    if analysis.barrier is not None:
        for row in list(rows_of(analysis.barrier.unassigned))[:MOST_NAMED]:
            if math.isfinite(row.median_eV):
                one = f"{row.median_eV:.2f} eV" if row.used == 1 else f"{row.lowest_eV:.2f} to {row.highest_eV:.2f} eV"
                parts.append(f"{row.unassigned}: {count(row.used, 'sweep')}, {one}.")
    if parts:
        said += ["Their barriers are those of single sweeps, without an interval.", *parts]
    remedy = ["They stand for no tip, and are not compared."]
    if nameless:
        remedy += [
            "If all without a tip are of one: sts annotate SESSION --set tip=NAME.",
            "If not: sts logbook SESSION --out logbook.csv, fill it in, then sts annotate SESSION --logbook logbook.csv.",
        ]
    if apart:
        remedy.append('What the columns are, a recipe says on import: repeat = 1, 2, ... or read_as = "unused".')
    return Answer("Which sweeps stand for no tip?", " ".join(said), " ".join(remedy))


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
    low, low_eV = low_barrier_tips(analysis), analysis.plan.barrier.low_eV
    states = {(row["sample"], row["tip"]): row for row in rows_by_name(barrier.steps)}

    def words(row: Any) -> str:
        if (row.sample, row.tip) in states:  # the mean of two states is no answer
            return f"{step_words(states[row.sample, row.tip])}."
        number = value_with_interval(row.barrier_eV, row.barrier_low_eV, row.barrier_high_eV, "eV")
        reason = "one site" if row.sites < 2 else "see the flags of its sweeps"
        return f"{tip_name(row.sample, row.tip, tips)} {number.replace('no interval', f'no interval: {reason}')}."

    rows = list(rows_of(tips))
    said = [f"Apparent barrier heights, each with its {level_words(level)} interval."]
    if len(rows) <= MOST_NAMED:
        said += [words(r) for r in rows]
    else:
        ordered = sorted((r for r in rows if math.isfinite(r.barrier_eV)), key=lambda r: float(r.barrier_eV))
        said = [
            f"{len(rows)} tips; the table lists all.",
            *said,
            f"Least: {words(ordered[0])}",
            f"Most: {words(ordered[-1])}",
        ]
    sites, sweeps = (int(tips[column].sum()) for column in ("sites", "sweeps"))
    said.append(f"In all {count(sites, 'site')} and {count(sweeps, 'sweep')}.")
    warnings = [
        f"{tip_name(r.sample, r.tip, tips)}: {r.barrier_eV:.2f} eV is not a work function{_what_is_usual(r, tips, low_eV)}"
        for r in rows
        if (r.sample, r.tip) in low
    ]
    if len(warnings) > 3:
        usual = ", but usual in air" if len(low) == len(rows) else ""
        warnings = [
            f"{len(low)} of {len(rows)} tips read below 1 eV: not work functions{usual}.",
            "Compare tips, not metals.",
        ]
    return Answer(BARRIERS, " ".join(said), " ".join(warnings))


def _what_is_usual(row: Any, tips: pd.DataFrame, low_eV: float) -> str:
    """Usual in air, unless another tip read the same sample as it is read in a clean gap."""
    most = tips.loc[tips["sample"] == row.sample, "barrier_eV"].max()
    if most > low_eV:
        return f", and another tip of the session reads {most:.2f} eV there: possible reason, a contaminated or compliant gap."
    return ", but usual in air: compare tips, not metals."


def _pair(row: Any) -> str:
    return f"{row.tip_a} against {row.tip_b} {value_with_interval(row.ratio, row.ratio_low, row.ratio_high, '')}."


def _differ(analysis: Analysis, barrier: BarrierAnalysis, level: float) -> Answer:
    rows = list(rows_of(barrier.pairs))
    if not rows:
        return Answer(DIFFER, _no_pair(analysis, barrier))
    apart = [r for r in rows if r.verdict == "differ"]
    alike = [r for r in rows if r.verdict == "no difference shown"]
    untested = [r for r in rows if r.verdict not in ("differ", "no difference shown")]
    low = {tip for _, tip in low_barrier_tips(analysis)}
    clean = sorted((r for r in apart if not {r.tip_a, r.tip_b} & low), key=lambda r: abs(math.log(r.ratio)))
    quoted = (clean or sorted(apart, key=lambda r: abs(math.log(r.ratio))))[:3]
    said = []
    if apart:
        said.append(f"{len(apart)} of {count(len(rows), 'pair')} {'differs' if len(apart) == 1 else 'differ'}.")
        said += [_pair(r) for r in quoted]
    if alike:
        said.append(f"No difference is shown for {count(len(alike), 'pair')}.")
        said += [_pair(r) for r in alike[:3]]
    if apart or alike:
        said.append(f"These are ratios of barriers; the intervals hold for all pairs together at {level_words(level)}.")
    if (more := len(apart) - len(quoted) + max(len(alike) - 3, 0)) > 0:
        said.append(f"{count(more, 'more pair')} {'stands' if more == 1 else 'stand'} in the table.")
    if untested:
        said.append(
            f"{count(len(untested), 'pair')} cannot be judged: {listed(sorted({r.verdict for r in untested}))}."
        )
    said.append(f"A site is one replicate of a tip; {count(int(barrier.tips['sites'].sum()), 'site')} in all.")
    return Answer(DIFFER, " ".join(said))


def _no_pair(analysis: Analysis, barrier: BarrierAnalysis) -> str:
    """Why no two tips are compared."""
    if barrier.tips["tip"].nunique() > 1:
        return "No two tips were measured on the same sample, so none are compared."
    if (analysis.judged["unassigned"] != "").any():
        return "One tip has a name; sweeps that stand for no tip are not compared."
    if analysis.judged.loc[analysis.judged["kind"] == "iz", "tip"].nunique() > 1:
        return "One tip only has I(z) sweeps that are used: there is nothing to compare."
    return "One tip only: there is nothing to compare."


def _doubtful(analysis: Analysis, panel: Sequence[dict[str, Any]]) -> Answer:
    judged = analysis.judged
    out = judged[~judged["used"].astype(bool)]
    whole = count(len(judged), "sweep")
    reasons = [row for row in panel if row["left_out"]]
    by_person = int((out["decided_by"] == "person").sum())
    said = (
        [f"{len(out)} of {whole} {'was' if len(out) == 1 else 'were'} left out."]
        if len(out)
        else ["No sweep was left out."]
    )
    if by_person:
        said.append(f"A person left out {'all' if by_person == len(out) else by_person} of them.")
    if reasons:
        said.append(f"Most often flagged among them: “{reasons[0]['flag']}” ({reasons[0]['left_out']}).")
    kept = [row for row in panel if row["kept"]]
    if kept:
        worst = max(kept, key=lambda row: row["kept"])
        flagged = flagged_and_kept(analysis)
        carry = "was kept carries" if flagged == 1 else "were kept carry"
        said.append(f"{count(flagged, 'sweep')} that {carry} a flag, most often “{worst['flag']}” ({worst['kept']}).")
        said.append(f"It means: {worst['meaning']}.")
    elif len(out) < len(judged):
        said.append("No sweep that was kept carries a flag.")
    return Answer(DOUBTFUL, " ".join(said))


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
