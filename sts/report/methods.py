"""The checklist of what a report on tunnelling spectra must state.

No published checklist for scanning tunnelling spectroscopy is known to us; this one gathers what careful papers state
(common practice, no source), in the order of the work. An item without a value is printed as not recorded, never left
out.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from sts.analysis import Analysis
from sts.analysis.calibrated import height_scales
from sts.report.done import (
    bands_from,
    masked_samples,
    rejection_limits,
    replicates_of_tips,
    shares,
    window_words,
    zero_of_current,
    zeros_removed,
)
from sts.report.lookup import axis_words, stated
from sts.report.number_words import NOT_RECORDED, count, distinct, level_words, listed, numbers_in_words
from sts.report.spectra_words import didv_from_words, resolution_words
from sts.selection import standing_calibration
from sts.sweeps import KIND_WORDS

NUMERICAL = "no lock-in channel: dI/dV is numerical"


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
        items.append(known("modulation", "Modulation", modulation if has_lockin else NUMERICAL))
        if has_lockin:
            items.append(circumstance("lockin"))
        items += _spectra_items(analysis, known)
    if "iz" in kinds:
        items += _barrier_items(analysis, known, table)
    items += [
        known("counts", "Sweeps taken, left out, used", _counts(analysis, table)),
        known("rejection", "Rules that leave a sweep out", rejection_limits(analysis) or "none"),
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
    if spectra is None or not spectra.spectra:
        return []
    asked = analysis.plan.spectra.offsets == "remove"
    two = [s for s in spectra.spectra if s.source is not None]
    smoothing = dict.fromkeys(s.smoothing for s in spectra.spectra)
    total = resolution_words(spectra.spectra)
    divided = any(np.isfinite(s.normalised).any() for s in spectra.spectra)
    methods = dict.fromkeys(str(m) for s in spectra.spectra if s.gaps is not None for m in s.gaps["gap_method"] if m)
    plan = analysis.plan.spectra
    forms = {"plain": "denominator as it is", "root": "denominator with a floor, sqrt((I/V)² + c²)"}
    ratio = forms.get(plan.normalise, f"denominator broadened by a kernel ({plan.normalise})")
    if plan.normalise in ("exponential", "gaussian") and plan.broadening_V is not None:
        ratio += f", width {plan.broadening_V * 1e3:g} meV"
    beside = [s.broadened for s in spectra.spectra if s.broadened is not None]
    if beside:
        widths = numbers_in_words(pd.Series([1e3 * one.width_V for one in beside]), 1.0, "mV")
        whys = " / ".join(dict.fromkeys(one.why for one in beside))
        ratio += f"; beside it with I/V broadened by a kernel ({plan.beside}, width {widths}: {whys})"
    if plan.normalise == "root" and plan.floor_S is not None:
        ratio += f", c = {plan.floor_S:g} S"
    return [
        known(
            "offsets", "Zeros of bias and current", shares(spectra.spectra, lambda one: zeros_removed(one, asked=asked))
        ),
        known("average", "Average over sweeps", plan.average),
        known("bands", "Bands of the spectra", shares(spectra.spectra, bands_from)),
        *([known("didv_from", "Channel of dI/dV", shares(two, didv_from_words))] if two else []),
        known("smoothing", "Smoothing and energy width", f"{' / '.join(list(smoothing)[:4])}; energy {total}"),
        *([known("normalisation", "Normalisation", f"(dI/dV)/(I/V), ratio of averages, {ratio}")] if divided else []),
        *([known("gap", "Definition of the gap", " / ".join(methods))] if methods else []),
    ]


def _height_calibrations(analysis: Analysis) -> str:
    """The calibrations of the height that the sweeps are on, each with the sessions it holds for where there are several."""
    said: dict[str, list[str]] = {}
    sessions = list(height_scales(analysis.calibrations, analysis.sources))
    for session in sessions:
        row = standing_calibration(analysis.calibrations, "height", session)
        words = "not calibrated" if row is None else (
            f"true = {row['factor']:.4g} × nominal, standard uncertainty {row['factor_se']:.2g}, "
            f"from {row['source']}, {row['time']}"
        )  # fmt: skip
        said.setdefault(words, []).append(session or "files imported directly")
    if list(said) == ["not calibrated"]:
        return ""
    return " / ".join(words if len(said) == 1 else f"{', '.join(of)}: {words}" for words, of in said.items())


def _barrier_items(analysis: Analysis, known: Any, table: Any) -> list[Item]:
    words = _height_calibrations(analysis)
    items = [known("height_calibration", "Calibration of the height scale", words)]
    if analysis.barrier is None or not len(analysis.barrier.sweeps):
        return items
    window = window_words(analysis.barrier)
    asked = analysis.plan.barrier
    if asked.fit_from_nm is not None or asked.fit_to_nm is not None:
        last = "the end" if asked.fit_to_nm is None else f"{asked.fit_to_nm:g} nm"
        window += f"; heights from {asked.fit_from_nm or 0:g} nm to {last} chosen by a person for all sweeps"
    model = "I = A exp(−2κz) + offset, weights from the fitted curve"
    unnamed = "no sweep was used"
    return [
        *items,
        known("fit", "Fit: model and window", f"{model}; {window}"),
        known("zero_of_current", "Zero of the current in I(z)", " ".join(zero_of_current(analysis.barrier)) or unnamed),
        known("masks", "Samples masked, in used I(z) sweeps", masked_samples(analysis.barrier) or "none"),
        known(
            "replicates",
            "Replicates of a tip",
            " ".join(replicates_of_tips(analysis.barrier)) or "no tip has a barrier",
        ),
    ]


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
            sites = len(named[["sample", "tip", "day", "site"]].drop_duplicates())
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
