"""What would improve the next session most, said by rules from the results."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sts.analysis import Analysis, BarrierAnalysis
from sts.analysis.calibrated import in_force
from sts.figures.spectra import modulation_unknown
from sts.figures.style import rows_of
from sts.quantities import thermal_width
from sts.report.lookup import low_barrier_tips
from sts.report.number_words import listed
from sts.spectra.resolution import FIRST_HARMONIC_WIDTH
from sts.spectra.spectrum import Spectrum


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
    lost = 1 - float(analysis.judged["used"].astype(bool).mean()) if len(analysis.judged) else 0.0
    if lost > 0.1:
        text = f"{lost:.0%} of the sweeps were left out: let the tip and the stage settle before measuring."
        steps.append(Step("settle", lost, text))
    best: dict[str, Step] = {}
    for step in sorted(steps, key=lambda step: -step.share):
        best.setdefault(step.rule, step)  # one of a kind: the one with most at stake
    return [step.text for step in list(best.values())[:most]]


def _barrier_steps(analysis: Analysis, barrier: BarrierAnalysis) -> list[Step]:
    tips, low = barrier.tips, low_barrier_tips(analysis)
    steps = []
    # All tips low is usual on a bench in air: then only a tip that reads less than another one is the matter.
    differ = [pair for pair in rows_of(barrier.pairs) if pair.verdict == "differ"]
    worse = {pair.tip_a if pair.ratio < 1 else pair.tip_b for pair in differ}
    for row in rows_of(tips):
        if (row.sample, row.tip) in low and (len(low) < len(tips) or row.tip in worse):
            text = f"its {row.barrier_eV:.2f} eV tells of the gap between tip and sample, not of the metals"
            steps.append(Step("clean", 3.0, f"Clean or replace {row.tip or 'the tip'}, and clean the sample: {text}."))
    half = ((tips["barrier_high_eV"] - tips["barrier_low_eV"]) / 2 / tips["barrier_eV"]).to_numpy(float)
    widest = float(np.nanmax(half)) if np.isfinite(half).any() else 0.0
    steps += [Step(f"advice {i}", max(widest, 0.01) * 0.6**i, text) for i, text in enumerate(barrier.advice)]
    single = [str(tip) for tip in tips.loc[tips["sites"] < 2, "tip"]]
    if single:
        text = "from one site no interval for the tip can be given"
        steps.append(Step("sites", 1.0, f"Measure at three sites or more with {listed(single[:4])}: {text}."))
    if in_force(analysis.calibrations, "height") is None:
        highest = float(np.nanmax(tips["barrier_eV"].to_numpy(float)))
        text = (
            "Calibrate the height scale on a step of known height: no calibration is recorded, and each 5 % of the "
            f"scale moves every barrier by 10 % ({0.1025 * highest:.2f} eV at {highest:.1f} eV)."
        )
        steps.append(Step("calibrate", 0.1, text))
    if len(set(barrier.sweeps["direction"]) - {""}) < 2:
        text = (
            "Record retract and approach: drift of 0.05 nm/s against a ramp of 1 nm/s moves a barrier by 10 %, and "
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


def _spectrum_steps(spectrum: Spectrum) -> list[Step]:
    steps, label = [], spectrum.label
    trusted = np.abs(spectrum.bias[spectrum.trusted])
    near = float(trusted.min()) if trusted.size else math.inf
    if not spectrum.offsets.separable and np.isfinite(spectrum.normalised).any() and near > 0:
        reach = f"cannot be read within ±{near * 1e3:.3g} mV" if trusted.size else "can be read nowhere"
        share = min(near / float(np.abs(spectrum.bias).max()), 1.0)
        text = (
            f"{label}: record at three set-points or more (or once with the tip drawn back), so that the zeros of bias "
            f"and current can be told apart; now (dI/dV)/(I/V) {reach}."
        )
        steps.append(Step("setpoints", 0.3 * share, text))
    if 0 < len(spectrum.sweeps) < 5:
        text = f"{len(spectrum.sweeps)} tell little about their scatter and about the smoothing they bear"
        steps.append(Step("repeats", 0.5 / len(spectrum.sweeps), f"{label}: record 10 sweeps or more; {text}."))
    thermal, total = spectrum.resolution.thermal_V, spectrum.resolution.total_V
    if not math.isfinite(thermal):
        text = f"{label}: record the temperature; at 295 K alone it blurs by {thermal_width(295.0) * 1e3:.0f} meV."
        steps.append(Step("temperature", 0.25, text))
    elif modulation_unknown(spectrum):
        text = (
            f"{label}: record the amplitude of the modulation: 1 mV rms alone blurs by "
            f"{FIRST_HARMONIC_WIDTH * math.sqrt(2):.2g} meV, temperature by {thermal * 1e3:.2g} meV."
        )
        steps.append(Step("modulation", 0.25, text))
    elif total > 1.5 * thermal > 0 and spectrum.resolution.smoothing_V > 0 and _has_structure(spectrum):
        text = (
            f"{label}: more repeats or less noise would allow less smoothing: the resolution is {total * 1e3:.0f} meV "
            f"where temperature alone allows {thermal * 1e3:.0f} meV."
        )
        steps.append(Step("smoothing", 0.1, text))
    return steps


def _has_structure(spectrum: Spectrum) -> bool:
    """Whether a gap or a peak was found: without one nothing is lost by smoothing."""
    gap = spectrum.gaps is not None and bool(np.isfinite(spectrum.gaps["gap_meV"]).any())
    return gap or (spectrum.peaks is not None and len(spectrum.peaks) > 0)
