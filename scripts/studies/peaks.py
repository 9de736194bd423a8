"""Peaks where there are none, and peaks that are: curves of one to twenty repeats with white, shot and 1/f noise.

A metal and a parabola have no peaks; a junction with two of 0.15 eV has them at -0.3 and 0.35 V. Smoothing as the plan chooses it.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np

from sts.flags import no_flags
from sts.plan import Plan
from sts.simulate import Bench, apply_bench, flat, simulate_iv, two_peaks
from sts.simulate.densities import Density
from sts.spectra import average_spectrum
from sts.spectra.features import with_features
from sts.sweeps import SweepSet
from studies import Finding

TITLE = "Peaks of curves of few repeats: false ones, and real ones"
REPEATS = (1, 2, 3, 5, 20)
NOISES = {
    "white noise": Bench(white_A=2e-12),
    "shot noise": Bench(white_A=5e-13, shot_bandwidth_Hz=1e4),
    "1/f noise": Bench(white_A=1e-12, gap_noise=0.03, gap_noise_slope=1),
    "1/f noise, offsets that scatter": Bench(
        white_A=1e-12, gap_noise=0.02, gap_noise_slope=1, setpoint_scatter=0.05, offset_scatter_A=1e-12
    ),
}
SURE = ("white noise", "shot noise")  # in which the peaks stand out by more than five of their standard errors
PLACES = (-0.3, 0.35)
PLAN = Plan.model_validate({"spectra": {"beside": "none"}, "features": {"gap": False}})


def run(quick: bool = False, seed: int = 0) -> list[Finding]:
    """All figures; `quick` cuts the trials."""
    trials = 10 if quick else 150
    found = []
    for noise in NOISES:
        for repeats in REPEATS:
            if quick and repeats not in (1, 2):
                continue
            counts = [_peaks(kind, repeats, noise, (seed, i)) for kind in ("metal", "parabola") for i in range(trials)]
            false = sum(len(one) > 0 for one in counts)
            most = 1 + 100 * 2.33 * np.sqrt(
                0.01 * 0.99 / (2 * trials)
            )  # the stated 1 %, and what chance adds (binomial, 1 %)
            case = f"{repeats} repeat{'s' if repeats > 1 else ''}, {noise}"
            measure = "metals and parabolas with a peak [%]"
            found.append(Finding(case, measure, 100 * false / (2 * trials), 0, float(most), 2 * trials))
            if noise in SURE:
                few = max(trials // 5, 5)
                seen = [_peaks("two peaks", repeats, noise, (seed, i)) for i in range(few)]
                share = 100 * float(np.mean([_both(one) for one in seen]))
                found.append(Finding(case, "both peaks found, and no other [%]", share, 95, 100, few))
    return found


def _both(places: list[float]) -> bool:
    return len(places) == len(PLACES) and all(abs(a - b) < 0.03 for a, b in zip(places, PLACES, strict=True))


def _peaks(kind: str, repeats: int, noise: str, seed: tuple[int, int]) -> list[float]:
    """Where peaks are found [V]."""
    ideal = _ideal(kind, repeats)
    current, _ = apply_bench(ideal.current, NOISES[noise], np.random.default_rng([*seed, repeats]), time_step_s=2.5e-3)
    sweeps = replace(ideal, current=current)
    spectrum = average_spectrum(sweeps, PLAN, used=sweeps.names, flags=no_flags())
    peaks = with_features(spectrum, sweeps, PLAN).peaks
    return [] if peaks is None else [float(place) for place in peaks["position_V"]]


@cache
def _ideal(kind: str, repeats: int) -> SweepSet:
    """Sweeps without any fault."""
    parabola = Density("parabola", lambda energy: 1 + 2 * np.asarray(energy, float) ** 2, (0.0, 0.0))
    density = {"metal": flat(), "parabola": parabola, "two peaks": two_peaks()}[kind]
    return simulate_iv(density=density, sweeps=repeats, bias=(-1.0, 1.0, 141), temperature_K=77.0).sweeps
