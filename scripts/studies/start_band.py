"""Bands of I(V) spectra whose sweeps begin with a transient: how often they hold the truth beside the mask and within it.

Five sweeps up and five down, transients as in the study of how many are found; those that are found are masked, and the masked
samples taken from the other direction of the repeat. The truth is the curve of the settled bench, smoothed as the spectrum was.
The same sweeps without a transient stand beside. The set-point does not scatter here: its scatter is one number for the whole
spectrum, widens the band everywhere, and would hide what a mask leaves of a transient.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from sts.curves import make_smoother
from sts.plan import CheckPlan
from sts.simulate import Bench, Simulated, simulate_iv
from sts.spectra import average_spectrum, judge_iv
from sts.spectra.faults.settling import settled_and_judged, settling_samples
from studies import Finding, mean_error
from studies.start_transient import BENCHES, DENSITIES, LEAST, MOST

TITLE = "I(V): bands where transients are masked"
CASES = ("white noise", "1/f noise", "displacement, lag")
SHAPES = ("ohmic", "V-shaped")
REPEATS = 5
PLACES = ("settled bench", "beside the mask", "within the mask")
MEASURE = "dI/dV: coverage of 95 % bands [%]"


def run(quick: bool = False, seed: int = 0) -> list[Finding]:
    """All benches; `quick` takes a tenth of the groups, and widens the bounds."""
    found = [one for bench in CASES for one in _of_bench(bench, 3 if quick else 30, seed)]
    return [finding.widened() for finding in found] if quick else found


def _of_bench(bench: str, groups: int, seed: int) -> list[Finding]:
    faults, noise = BENCHES[bench]
    held: dict[str, list[float]] = {place: [] for place in PLACES}
    for shape in SHAPES:
        for trial in range(groups):
            rng = np.random.default_rng([seed, 47, trial])
            size = noise * np.exp(rng.uniform(np.log(LEAST), np.log(MOST))) * rng.choice([-1, 1])
            tau_s = 0.5 * np.exp(rng.uniform(np.log(0.1), np.log(1 / 3))) / 3  # a sweep takes 0.5 s
            for one in (0.0, size):
                settings = Bench(white_A=2e-12, **faults, transient_A=one, transient_s=tau_s)
                draw = np.random.default_rng([seed, 48, trial])
                made = simulate_iv(sweeps=REPEATS, bench=settings, seed=draw, **DENSITIES[shape])
                _count(held, made, bool(one))
    trials = len(SHAPES) * groups
    wider = 200 * np.sqrt(0.05 * 0.95 / (3 * trials))  # twice the error of simulation, with three independent stretches
    return [
        Finding(f"{bench}, {place}", MEASURE, 100 * float(np.mean(rates)), 93.0 - wider, min(97.0 + wider, 100.0), len(rates),
                100 * mean_error(rates))
        for place, rates in held.items()
    ]  # fmt: skip


def _count(held: dict[str, list[float]], made: Simulated, planted: bool) -> None:
    """Add the share of biases where the band holds the truth, by place."""
    parts, flags = settled_and_judged([made.sweeps], [judge_iv(made.sweeps)], CheckPlan())
    mask = settling_samples(parts[0], flags[0]).any(axis=0)
    spectrum = average_spectrum(parts[0], flags=flags[0])
    smoother = make_smoother(made.sweeps.axis, width_V=spectrum.resolution.smoothing_V)
    truth = smoother.differentiate(made.clean)
    holds = (spectrum.didv_low < truth) & (truth < spectrum.didv_high)
    seen = np.isfinite(spectrum.didv_low) & np.isfinite(truth)
    places: dict[str, Any] = (
        {"beside the mask": ~mask, "within the mask": mask} if planted else {"settled bench": ~mask}
    )
    for place, where in places.items():
        if (seen & where).any():
            held[place].append(float(holds[seen & where].mean()))
