"""What would improve the next session most, said by rules from the results."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from sts.analysis import Analysis, BarrierAnalysis
from sts.analysis.calibrated import height_scales
from sts.figures.spectra import modulation_unknown
from sts.figures.style import rows_of
from sts.flags import FLAGS
from sts.quantities import thermal_width, with_prefix
from sts.report.lookup import low_barrier_tips
from sts.report.number_words import count, listed
from sts.report.step_words import change_steps, changed_tips
from sts.spectra.resolution import FIRST_HARMONIC_WIDTH
from sts.spectra.spectrum import Spectrum

LIKELY_K = (295.0, 77.0, 4.2, 0.3, 0.01)  # a sweep is not made at a temperature that blurs half of its range


@dataclass(frozen=True)
class Step:
    """Something to do better next time; `share` is roughly the part of a result that is at stake."""

    rule: str
    share: float
    text: str


def improvements(analysis: Analysis, most: int = 3) -> list[str]:
    """What would improve the next session most, largest share of a result first, each with its size.

    Parameters
    ----------
    analysis : Analysis
    most : int
        How many at most.
    """
    steps: list[Step] = []
    if analysis.barrier is not None and len(analysis.barrier.tips):
        steps += _barrier_steps(analysis, analysis.barrier)
    if analysis.spectra is not None:
        for spectrum in analysis.spectra.spectra:
            steps += _spectrum_steps(spectrum)
    steps += _lost_steps(analysis)
    best: dict[str, Step] = {}
    for step in sorted(steps, key=lambda step: -step.share):
        best.setdefault(step.rule, step)  # one of a kind: the one with most at stake
    return [step.text for step in list(best.values())[:most]]


def _lost_steps(analysis: Analysis) -> list[Step]:
    """What to do against the flag by which most sweeps were left out, if a tenth or more were."""
    judged = analysis.judged
    out = judged[~judged["used"].astype(bool) & (judged["decided_by"] != "person")]
    lost = len(out) / max(len(judged), 1)
    flags = analysis.flags
    reasons = flags.loc[flags["sweep"].isin(out["sweep"]) & flags["flag"].isin(analysis.plan.check.omit), "flag"]
    if lost <= 0.1 or reasons.empty:
        return []
    worst = str(reasons.mode().iloc[0])
    text = f"{100 * lost:.0f} % of the sweeps were left out by rule, most often for “{worst}”: {FLAGS[worst].remedy}."
    return [Step("lost", lost, text)]


def _barrier_steps(analysis: Analysis, barrier: BarrierAnalysis) -> list[Step]:
    tips, low = barrier.tips, low_barrier_tips(analysis)
    steps = [Step(f"change {i}", 4.0, text) for i, text in enumerate(change_steps(barrier))]
    # All tips low is usual on a bench in air: then only a tip that reads less than another one is the matter.
    differ = [pair for pair in rows_of(barrier.pairs) if pair.verdict == "differ"]
    worse = {pair.tip_a if pair.ratio < 1 else pair.tip_b for pair in differ}
    for row in rows_of(tips):
        if (row.sample, row.tip) in low and (len(low) < len(tips) or row.tip in worse):
            text = f"a contaminated or compliant gap is a possible reason for its {row.barrier_eV:.2f} eV"
            steps.append(Step("clean", 3.0, f"Clean or replace {row.tip or 'the tip'}, and clean the sample: {text}."))
    tips = tips[[one not in changed_tips(barrier) for one in zip(tips["sample"], tips["tip"], strict=True)]]
    half = ((tips["barrier_high_eV"] - tips["barrier_low_eV"]) / 2 / tips["barrier_eV"]).to_numpy(float)
    widest = float(np.nanmax(half)) if np.isfinite(half).any() else 0.0
    steps += [Step(f"advice {i}", max(widest, 0.01) * 0.6**i, text) for i, text in enumerate(barrier.advice)]
    steps += [Step(f"bend {row.tip}", 1 + row.bound_percent / 100, _bend_words(row)) for row in rows_of(barrier.bends)
              if row.bound_percent > 100 * analysis.plan.verdict.bend_care]  # fmt: skip
    single = [str(tip) for tip in tips.loc[tips["sites"] < 2, "tip"]]
    if single:
        text = "from one site no interval for the tip can be given"
        steps.append(Step("sites", 1.0, f"Measure at three sites or more with {listed(single[:4])}: {text}."))
    if None in height_scales(analysis.calibrations, analysis.sources).values():
        text = (
            "Calibrate the height scale on a step of known height: no calibration is recorded. Each 5 % of the scale "
            "moves every barrier by 10 %."
        )
        steps.append(Step("calibrate", 0.1, text))
    if len(directions := set(barrier.sweeps["direction"]) - {""}) < 2:
        which = "" if directions else ", and which is which"
        text = (
            f"Record retract and approach{which}: drift of 0.05 nm/s against a ramp of 1 nm/s moves a barrier by 10 %, and "
            "only the mean of both directions cancels it."
        )
        steps.append(Step("directions", 0.1, text))
    decades = float(np.nanmedian(barrier.sweeps["decades"].to_numpy(float)))
    if decades < 1.5:
        text = (
            f"Ramp further or start at a higher current: the sweeps hold {decades:.1f} decades above the noise "
            "(median); 2 or more fix the offset."
        )
        steps.append(Step("decades", 0.2 / max(decades, 0.1), text))
    return steps


def _bend_words(bend: Any) -> str:
    """What to do about sweeps of a tip that share a bend."""
    said = f"all sweeps of {bend.tip or 'the tip'} bend alike, which no noise does, and {bend.bound_percent:.2g} % of its barrier "
    if math.isfinite(bend.straight_from_nm):
        return f"Fit from {bend.straight_from_nm:.2f} nm on (barrier.fit_from_nm in the plan): {said}hang on what is nearer."
    return f"Ramp further, or look at the gain at the top: {said}hang on the window; none of a decade is straight."


def _spectrum_steps(spectrum: Spectrum) -> list[Step]:
    steps, label = [], spectrum.label
    trusted = np.abs(spectrum.bias[spectrum.trusted])
    near = float(trusted.min()) if trusted.size else math.inf
    if not spectrum.offsets.separable and np.isfinite(spectrum.normalised).any() and near > 0:
        reach = f"cannot be read within ±{with_prefix(near * 1e3, 'mV')}" if trusted.size else "can be read nowhere"
        share = min(near / float(np.abs(spectrum.bias).max()), 1.0)
        text = f"{label}: {_zeros_told_apart(spectrum)}. Now (dI/dV)/(I/V) {reach}."
        steps.append(Step("setpoints", 0.3 * share, text))
    if 0 < len(spectrum.sweeps) < 5:
        few = count(len(spectrum.sweeps), "sweep")
        what = "scatter" if spectrum.smoothed_as is None else "scatter and the best smoothing"
        text = f"{few} {'tells' if len(spectrum.sweeps) == 1 else 'tell'} little about the {what}"
        steps.append(Step("repeats", 0.5 / len(spectrum.sweeps), f"{label}: record 10 sweeps or more; {text}."))
    thermal, total = spectrum.resolution.thermal_V, spectrum.resolution.total_V
    if not math.isfinite(thermal):
        kelvin = next((k for k in LIKELY_K if thermal_width(k) < np.ptp(spectrum.bias) / 2), LIKELY_K[-1])
        blur = with_prefix(float(thermal_width(kelvin)) * 1e3, "meV", 3)
        text = f"{label}: record the temperature; at {kelvin:g} K it alone blurs by {blur}."
        steps.append(Step("temperature", 0.25, text))
    elif modulation_unknown(spectrum):
        text = (
            f"{label}: record the amplitude of the modulation: 1 mV rms alone blurs by "
            f"{FIRST_HARMONIC_WIDTH * math.sqrt(2):.2g} meV, temperature by {with_prefix(thermal * 1e3, 'meV', 2)}."
        )
        steps.append(Step("modulation", 0.25, text))
    elif total > 1.5 * thermal > 0 and spectrum.resolution.smoothing_V > 0 and _has_structure(spectrum):
        text = (
            f"{label}: more repeats or less noise would allow less smoothing: the resolution is {with_prefix(total * 1e3, 'meV')} "
            f"where temperature alone allows {with_prefix(thermal * 1e3, 'meV')}."
        )
        steps.append(Step("smoothing", 0.1, text))
    return steps


def _zeros_told_apart(spectrum: Spectrum) -> str:
    """What would tell the zeros of bias and current apart, where they are not."""
    how = spectrum.offsets.how
    if how.startswith("no conductance"):
        return "the zero of bias cannot be seen in a gap; record a metal with the same tip and settings at three set-points"
    taken = int(how.split()[0]) if how[:1].isdigit() else 0
    if taken >= 3:
        return f"record more sweeps at each of the {taken} set-points, to tell the zeros of bias and current apart"
    return "record at three set-points or more, or once with the tip drawn back, to tell the zeros of bias and current apart"


def _has_structure(spectrum: Spectrum) -> bool:
    """Whether a gap or a peak was found: without one nothing is lost by smoothing."""
    gap = spectrum.gaps is not None and bool(np.isfinite(spectrum.gaps["gap_meV"]).any())
    return gap or (spectrum.peaks is not None and len(spectrum.peaks) > 0)
