"""The methods paragraph, ready to paste: what was done, counted. What was not recorded is left to the checklist."""

from __future__ import annotations

from collections.abc import Sequence

from sts.analysis import Analysis
from sts.report.done import (
    averaged_sweeps,
    left_out,
    masked_samples,
    repeats_with_both,
    replicates_of_tips,
    used_sweeps,
    zero_of_current,
)
from sts.report.methods import Item
from sts.report.number_words import NOT_RECORDED, count, level_words


def methods_paragraph(analysis: Analysis, stated_items: Sequence[Item]) -> str:
    """What was done, as text for a paper. What was not recorded is left to the checklist.

    Parameters
    ----------
    analysis : Analysis
    stated_items : sequence of Item
        As `checklist` gives them.
    """
    items = {item.key: item.value for item in stated_items}
    text = [
        *_taken(items),
        *_selected(analysis, items),
        *_averaged(analysis, items),
        *_fitted(analysis, items),
        f"Uncertainties: {items['uncertainty']}.",
        f"({', '.join(f'{name} {version}' for name, version in analysis.versions.items())})",
    ]
    return " ".join(s for s in text if s)


def _taken(items: dict[str, str]) -> list[str]:
    """How the sweeps were taken, as far as it is recorded."""

    def known(key: str, words: str) -> str:
        value = items.get(key, NOT_RECORDED).replace(f", duration {NOT_RECORDED}", "")
        return "" if NOT_RECORDED in value else words.format(value)

    on = known("sample", " on {}") + known("preparation", " (preparation: {})")
    where = [known("environment", "environment: {}"), known("temperature", "temperature: {}")]
    around = f" ({'; '.join(w for w in where if w)})" if any(where) else ""
    return [
        f"Sweeps were taken{on}{_tips_words(items)}{around}." if on or around or _tips_words(items) else "",
        "The bias is that of the sample relative to the tip.",
        _setpoint_words(items["setpoint"]),
        known("stabilisation", "Feedback and stabilisation: {}."),
        known("ramp", "Ramps: {}."),
        known("directions", "Directions: {}."),
        known("full_scale", "Full scale of the amplifier: {}."),
        known("bandwidth", "Gain and bandwidth: {}."),
        f"{items['counts']}.",
    ]


def _setpoint_words(stated_as: str) -> str:
    """The parts of the set-point that are recorded."""
    parts = [part for part in stated_as.split("; ") if NOT_RECORDED not in part]
    return f"Set-point: {'; '.join(parts)}." if parts else ""


def _selected(analysis: Analysis, items: dict[str, str]) -> list[str]:
    """By what rules sweeps were left out, how many, and what a person decided."""
    flags, by_person = left_out(analysis)
    judged = analysis.judged
    said = [f"Rules that leave out a whole sweep: {items['rejection']}."]
    said.append(f"By rule were left out: {flags}." if flags else "By rule no sweep was left out.")
    if len(analysis.decisions):
        kept = int(((judged["decided_by"] == "person") & judged["used"].astype(bool)).sum())
        said.append(f"A person left out {count(by_person, 'sweep')} and kept {kept} after seeing the data.")
    else:
        said.append("Nothing was decided by a person after seeing the data.")
    return said


def _averaged(analysis: Analysis, items: dict[str, str]) -> list[str]:
    """How the I(V) sweeps became spectra, with what holds for how many."""
    spectra = analysis.spectra.spectra if analysis.spectra is not None else ()
    if not spectra:
        return ["No spectrum could be averaged."] if (analysis.judged["kind"] == "iv").any() else []
    both, repeats = repeats_with_both(averaged_sweeps(analysis), "iv")
    alone = sum(len(s.sweeps) == 1 for s in spectra)
    text = [
        f"I(V) sweeps were brought to {count(len(spectra), 'spectrum', 'spectra')}, average: {items['average']}"
        + (f"; {alone} of them {'is' if alone == 1 else 'are'} of one sweep." if alone else "."),
        f"{both} of {count(repeats, 'repeat')} had both directions, whose mean was taken." if both
        else "No repeat has both directions, so displacement current and lag do not cancel.",
        f"Zeros: {items['offsets']}.",
        f"Channel of dI/dV: {items['didv_from']}." if "didv_from" in items else "",
        f"Smoothing: {items['smoothing']}.",
        "" if NOT_RECORDED in items["modulation"] else f"Modulation: {items['modulation']}.",
        f"Bands ({level_words(analysis.plan.compare.confidence)}) come {items['bands']}.",
    ]  # fmt: skip
    if "normalisation" in items:
        text.append(f"Conductance was normalised as {items['normalisation']}.")
        text.append("It is 1 at zero bias by construction.")
        text.append("Where the offsets could shift it by more than a tenth it is not interpreted.")
    if "gap" in items:
        text.append(f"Gaps were read from dI/dV by {items['gap']}.")
    return text


def _fitted(analysis: Analysis, items: dict[str, str]) -> list[str]:
    """How the barriers were had, with what was done for how many repeats."""
    barrier = analysis.barrier
    if barrier is None:
        return []
    if not barrier.sweeps["used"].any():
        return ["No I(z) sweep was used, so no barrier is stated."]
    formula = "Apparent barrier heights φ = (ħ²/8m)(d ln I/dz)² were obtained from I(z)"
    text = [
        f"{formula} by weighted non-linear least squares ({items['fit']}).",
        "The noise was estimated from the data.",
        *zero_of_current(barrier),
    ]
    unknown = set(analysis.flags.loc[analysis.flags["flag"] == "offset unknown", "sweep"])
    unknown &= set(barrier.sweeps.loc[barrier.sweeps["used"].astype(bool), "sweep"])
    if unknown:
        text.append(f"Nothing tells the zero of {count(len(unknown), 'sweep')}: no interval is given for a single one.")
    if masked := masked_samples(barrier):
        text.append(f"Within sweeps that were used, samples were masked: {masked}.")
    named = used_sweeps(barrier)
    if not len(named):
        return [*text, "No sweep has a named tip, so each barrier is that of a single sweep and none is averaged."]
    both, repeats = len(barrier.directions), repeats_with_both(named, "iz")[1]
    text.append(
        f"{both} of {count(repeats, 'repeat')} had both directions, whose mean cancels drift." if both
        else "No repeat of a tip has both directions, so drift is in the slopes."
    )  # fmt: skip
    text += replicates_of_tips(barrier)
    if nameless := int((barrier.sweeps["used"].astype(bool) & (barrier.sweeps["unassigned"] != "")).sum()):
        text.append(f"{count(nameless, 'sweep')} without a tip stand apart and are not averaged.")
    height = items["height_calibration"]
    if NOT_RECORDED in height:
        return [*text, "The height scale was not calibrated: its uncertainty is not in these numbers."]
    return [
        *text,
        f"Calibration of the height scale: {height}.",
        "Its uncertainty enters the barrier twice and is stated apart, since it cancels between tips.",
    ]


def _tips_words(items: dict[str, str]) -> str:
    if NOT_RECORDED in items["tips"]:
        return ""
    more = [f"{word}: {items[key]}" for key, word in (("tip_material", "material and making"), ("tip_history", "history"))
            if NOT_RECORDED not in items[key]]  # fmt: skip
    several = " and " in items["tips"].split(" (and ")[0]
    return f" with the {'tips' if several else 'tip'} {items['tips']}" + (f" ({'; '.join(more)})" if more else "")
