"""The methods paragraph, ready to paste, and the checklist of what a report on tunnelling spectra must state.

No published checklist for scanning tunnelling spectroscopy is known to us; this one gathers what careful papers state
(common practice, no source), in the order of the work. An item without a value is printed as not recorded, never left
out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from sts.analysis import Analysis, BarrierAnalysis
from sts.analysis.calibrated import in_force
from sts.report.answers import resolution_words
from sts.report.lookup import axis_words, stated
from sts.report.number_words import NOT_RECORDED, count, distinct, level_words, listed, numbers_in_words
from sts.sweeps import KIND_WORDS


@dataclass(frozen=True)
class Item:
    """One line of the checklist."""

    key: str  # for `facts` in the plan
    name: str
    value: str

    @property
    def missing(self) -> bool:
        """Whether nothing is known."""
        return NOT_RECORDED in self.value


# item: name, columns of a logbook or header in which it is looked for
CIRCUMSTANCES: dict[str, tuple[str, tuple[str, ...]]] = {
    "preparation": ("Preparation of the sample", ("preparation", "sample_preparation", "treatment")),
    "tip_material": ("Tip material and making", ("made_by", "making", "tip_material", "material", "wire")),
    "tip_history": ("Tip history and check sample", ("tip_history", "history", "conditioning", "check_sample")),
    "environment": (
        "Environment, pressure or humidity",
        ("environment", "atmosphere", "medium", "pressure", "humidity"),
    ),
    "stabilisation": (
        "Stabilisation and feedback-off time",
        ("stabilisation", "feedback_off", "feedback_off_s", "settle_s"),
    ),
    "bandwidth": ("Amplifier gain and bandwidth", ("bandwidth", "bandwidth_hz", "gain", "gain_v_per_a", "amplifier")),
    "lockin": ("Lock-in frequency, time constant, phase", ("lockin", "modulation_hz", "time_constant_s", "phase_deg")),
}


def checklist(analysis: Analysis, table: pd.DataFrame) -> list[Item]:
    """Everything a report must state, with what is known.

    Parameters
    ----------
    analysis : Analysis
    table : pandas.DataFrame
        One row per sweep, as `all_sweeps` gives it.
    """
    kinds = set(table["kind"]) if len(table) else set()
    has_lockin = any(s.lockin is not None for s in analysis.sets)

    def circumstance(key: str) -> Item:
        name, columns = CIRCUMSTANCES[key]
        return Item(key, name, stated(analysis, key, columns) or NOT_RECORDED)

    def known(key: str, name: str, value: str) -> Item:
        return Item(key, name, analysis.plan.report.facts.get(key) or value or NOT_RECORDED)

    samples, tips = distinct(table["sample"]), distinct(table["tip"])
    items = [
        known("sample", "Sample", listed(samples[:8])),
        circumstance("preparation"),
        known("tips", "Tips", _tips(table, tips)),
        circumstance("tip_material"),
        circumstance("tip_history"),
        circumstance("environment"),
        known("temperature", "Temperature", _numbers(table, "temperature_K", 1.0, "K")),
        known("bias_convention", "Bias convention", "sample relative to tip: positive bias probes empty sample states"),
        known("setpoint", "Set-point", _setpoint(table)),
        circumstance("stabilisation"),
        known("ramp", "Ramp: range, points, duration", _ramp(analysis, table)),
        known("directions", "Directions", listed(distinct(table["direction"]))),
        known("full_scale", "Full scale of the current", _numbers(table, "full_scale_A", 1e9, "nA")),
        circumstance("bandwidth"),
    ]
    if "iv" in kinds:
        modulation = _numbers(table[table["kind"] == "iv"], "modulation_V", 1e3, "mV rms")
        items.append(known("modulation", "Modulation", modulation if has_lockin else "none: dI/dV is numerical"))
        if has_lockin:
            items.append(circumstance("lockin"))
        items += _spectra_items(analysis, known)
    if "iz" in kinds:
        items += _barrier_items(analysis, known, table)
    items += [
        known("counts", "Sweeps taken, left out, used", _counts(analysis, table)),
        known("uncertainty", "Meaning of the uncertainties", _uncertainty(analysis)),
        known("decisions", "Decided by a person after seeing the data", _decisions(analysis)),
        known(
            "hashes",
            "Hashes of the raw files",
            f"SHA-256 of {count(len(analysis.sources), 'file')}, listed below" if len(analysis.sources) else "",
        ),
    ]
    facts = analysis.plan.report.facts
    known_keys = {item.key for item in items}
    items += [
        Item(key, key.replace("_", " ").capitalize(), text) for key, text in facts.items() if key not in known_keys
    ]
    return items


def _numbers(table: Any, column: str, scale: float, unit: str) -> str:
    return numbers_in_words(table[column], scale, unit) if column in table and len(table) else NOT_RECORDED


def _setpoint(table: Any) -> str:
    current = _numbers(table, "setpoint_current_A", 1e12, "pA")
    bias = _numbers(table, "setpoint_bias_V", 1.0, "V")
    height = table[table["kind"] == "iz"]
    during = _numbers(height, "bias_V", 1.0, "V")
    parts = [f"current {current}", f"bias {bias}", *([f"bias during I(z) {during}"] if len(height) else [])]
    return NOT_RECORDED if all(NOT_RECORDED in p for p in parts) else "; ".join(parts)


def _ramp(analysis: Analysis, table: Any) -> str:
    parts = []
    for kind, scale, unit in (("iv", 1.0, "V/s"), ("iz", 1e9, "nm/s")):
        rows = table[table["kind"] == kind]
        if not len(rows):
            continue
        with np.errstate(divide="ignore", invalid="ignore"):
            rate = np.abs(rows["axis_to"] - rows["axis_from"]) / rows["duration_s"]
        seconds = numbers_in_words(rows["duration_s"], 1.0, "s")
        speed = "" if NOT_RECORDED in seconds else f", {numbers_in_words(rate, scale, unit)}"
        parts.append(f"{KIND_WORDS[kind]} {axis_words(analysis, kind)}, duration {seconds}{speed}")
    return "; ".join(parts)


def _spectra_items(analysis: Analysis, known: Any) -> list[Item]:
    spectra = analysis.spectra
    if spectra is None:
        return []
    offsets = dict.fromkeys(s.offsets.how for s in spectra.spectra)
    smoothing = dict.fromkeys(s.smoothing for s in spectra.spectra)
    total = resolution_words(spectra.spectra)
    divided = any(np.isfinite(s.normalised).any() for s in spectra.spectra)
    methods = dict.fromkeys(str(m) for s in spectra.spectra if s.gaps is not None for m in s.gaps["gap_method"] if m)
    plan = analysis.plan.spectra
    forms = {"plain": "denominator as it is", "root": "denominator with a floor, sqrt((I/V)² + c²)"}
    ratio = forms.get(plan.normalise, f"denominator broadened by a kernel ({plan.normalise})")
    if plan.normalise in ("exponential", "gaussian") and plan.broadening_V is not None:
        ratio += f", width {plan.broadening_V * 1e3:g} meV"
    if plan.normalise == "root" and plan.floor_S is not None:
        ratio += f", c = {plan.floor_S:g} S"
    return [
        known("offsets", "Offsets removed", " / ".join(offsets)),
        known("average", "Average over sweeps", plan.average),
        known("smoothing", "Smoothing and energy width", f"{' / '.join(list(smoothing)[:4])}; energy {total}"),
        *([known("normalisation", "Normalisation", f"(dI/dV)/(I/V), ratio of averages, {ratio}")] if divided else []),
        *([known("gap", "Definition of the gap", " / ".join(methods))] if methods else []),
    ]


def _barrier_items(analysis: Analysis, known: Any, table: Any) -> list[Item]:
    height = in_force(analysis.calibrations, "height")
    words = ""
    if height is not None:
        words = (
            f"true = {height['factor']:.4g} × nominal, standard uncertainty {height['factor_se']:.2g}, "
            f"from {height['source']}, {height['time']}"
        )
    items = [known("height_calibration", "Calibration of the height scale", words)]
    if analysis.barrier is None or not len(analysis.barrier.sweeps):
        return items
    sweeps = analysis.barrier.sweeps
    used = sweeps[sweeps["used"].astype(bool)]
    window = (
        f"{used['from_nm'].median():.3g} to {used['to_nm'].median():.3g} nm (median), "
        f"{used['decades'].median():.2g} decades above the noise"
        if len(used)
        else "no sweep was used"
    )
    asked = analysis.plan.barrier
    if asked.fit_from_nm is not None or asked.fit_to_nm is not None:
        last = "the end" if asked.fit_to_nm is None else f"{asked.fit_to_nm:g} nm"
        window += f"; heights from {asked.fit_from_nm or 0:g} nm to {last} chosen by a person for all sweeps"
    model = "I = A exp(−2κz) + offset, weights from the fitted curve"
    return [*items, known("fit", "Fit: model and window", f"{model}; {window}")]


def _tips(table: Any, tips: list[str]) -> str:
    named = f"{listed(tips[:12])}" + (f" and {len(tips) - 12} more" if len(tips) > 12 else "")
    nameless = int((table["tip"] == "").sum())
    return f"{named} (and {count(nameless, 'sweep')} of which the tip is not recorded)" if named and nameless else named


def _counts(analysis: Analysis, table: Any) -> str:
    parts = []
    for kind, name in KIND_WORDS.items():
        rows = table[table["kind"] == kind]
        if len(rows):
            used = int(rows["used"].astype(bool).sum())
            named = rows[rows["site"].astype(str) != ""]
            sites = len(named[["sample", "tip", "site"]].drop_duplicates())
            where = count(sites, "site") if sites else "sites not named"
            tips, nameless = len(distinct(rows["tip"])), int((rows["tip"] == "").sum())
            whose = count(tips, "tip") if tips else "tip not named"
            whose += f", and {nameless} of no named tip" if tips and nameless else ""
            parts.append(f"{name}: {len(rows)} taken, {len(rows) - used} left out, {used} used; {where}, {whose}")
    return "; ".join(parts)


def _uncertainty(analysis: Analysis) -> str:
    level = level_words(analysis.plan.compare.confidence)
    return f"± is one standard uncertainty (k = 1) unless said; intervals and bands are {level}"


def _decisions(analysis: Analysis) -> str:
    rows = analysis.decisions
    return (
        f"{count(len(rows), 'decision')}, listed below with reasons" if len(rows) else "nothing: rules of the plan only"
    )


def methods_paragraph(analysis: Analysis, stated_items: Sequence[Item]) -> str:
    """What was done, as text for a paper. What was not recorded is left to the checklist.

    Parameters
    ----------
    analysis : Analysis
    stated_items : sequence of Item
        As `checklist` gives them.
    """
    items = {item.key: item.value for item in stated_items}
    text = [_taken(items)]
    if "smoothing" in items:
        text.append(
            f"I(V) sweeps were averaged ({items['average']}; offsets: {items['offsets']}; smoothing: "
            f"{items['smoothing']}; modulation: {items['modulation']}). Bands come from the scatter between sweeps."
        )
        if "normalisation" in items:
            text[-1] += (
                f" Conductance was normalised as {items['normalisation']}; it is 1 at zero bias by construction, and "
                "points where the offsets could shift it by more than a tenth are not interpreted."
            )
        if "gap" in items:
            text[-1] += f" Gaps were read from dI/dV by {items['gap']}."
    if "fit" in items and analysis.barrier is not None:
        text.append(_fitted(items, analysis.barrier))
    versions = ", ".join(f"{name} {version}" for name, version in analysis.versions.items())
    text.append(
        f"Uncertainties: {items['uncertainty']}. Decided after seeing the data: {items['decisions']}. ({versions})"
    )
    return " ".join(text)


def _taken(items: dict[str, str]) -> str:
    """How the sweeps were taken, as far as it is recorded."""

    def known(key: str, words: str) -> str:
        value = items.get(key, NOT_RECORDED).replace(f", duration {NOT_RECORDED}", "")
        return "" if NOT_RECORDED in value else words.format(value)

    on = known("sample", " on {}") + known("preparation", " (preparation: {})")
    where = [known("environment", "environment: {}"), known("temperature", "temperature: {}")]
    around = f" ({'; '.join(w for w in where if w)})" if any(where) else ""
    sentences = [
        f"Sweeps were taken{on}{_tips_words(items)}{around}." if on or around or _tips_words(items) else "",
        "The bias is that of the sample relative to the tip.",
        known("setpoint", "Set-point: {}."),
        known("stabilisation", "Feedback and stabilisation: {}."),
        known("ramp", "Ramps: {}."),
        known("directions", "Directions: {}."),
        known("full_scale", "Full scale of the amplifier: {}."),
        known("bandwidth", "Gain and bandwidth: {}."),
        f"{items['counts']}; sweeps were left out as a whole and only for stated reasons.",
    ]
    return " ".join(s for s in sentences if s)


def _fitted(items: dict[str, str], barrier: BarrierAnalysis) -> str:
    """How the barriers were had, with what was done for how many repeats."""
    used = barrier.sweeps[barrier.sweeps["used"].astype(bool) & (barrier.sweeps["unassigned"] == "")]
    numbered = used["repeat"].notna()
    repeats = len(used[numbered].drop_duplicates(["sample", "tip", "site", "repeat"])) + int((~numbered).sum())
    pairs = len(barrier.directions)
    if pairs:
        directions = f"In {pairs} of {repeats} repeats retract and approach were paired, so that drift cancels there"
    else:
        directions = "No repeat has both directions, so drift is in the slopes"
    averaged = (
        f"; slopes were averaged over repeats and {count(len(barrier.sites), 'site')} before squaring. Sites are the "
        "replicates of a tip (random effects)"
        if len(barrier.sites)
        else ""
    )
    height = items["height_calibration"]
    scale = (
        "The height scale was not calibrated: its uncertainty is not in these numbers; it cancels between tips."
        if NOT_RECORDED in height
        else f"Calibration of the height scale: {height}; its uncertainty enters the barrier twice and is stated apart, "
        "since it cancels between tips."
    )
    return (
        "Apparent barrier heights φ = (ħ²/8m)(d ln I/dz)² were obtained from I(z) by weighted non-linear least squares "
        f"({items['fit']}); the noise was estimated from the data. {directions}{averaged}. {scale}"
    )


def _tips_words(items: dict[str, str]) -> str:
    if NOT_RECORDED in items["tips"]:
        return ""
    more = [f"{word}: {items[key]}" for key, word in (("tip_material", "material and making"), ("tip_history", "history"))
            if NOT_RECORDED not in items[key]]  # fmt: skip
    return f" with the tips {items['tips']}" + (f" ({'; '.join(more)})" if more else "")
