"""Ripple in I(V): found, called by its name and not a jump, and never seen where there is none."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from sts.simulate import Bench, apply_bench, simulate_iv
from sts.spectra import judge_iv
from sts.sweeps import SweepSet
from studies import Finding

TITLE = "Ripple in I(V): mains and vibration"

POINTS = 256
REPEATS = 5
DENSITIES = ("flat", "v_shaped", "gapped", "two_peaks")
BENCHES = {
    "white noise": Bench(white_A=2e-12, setpoint_scatter=0.02),
    "1/f gap noise 3 %": Bench(white_A=5e-13, gap_noise=0.03, gap_noise_slope=1.0),
    "steps of 9 pA": Bench(white_A=1e-12, converter_step_A=9e-12),
    "steps of 5 pA": Bench(white_A=3e-12, converter_step_A=5e-12),
}


def run(quick: bool = False, seed: int = 0) -> list[Finding]:
    """All figures; `quick` does one group of each."""
    groups = 1 if quick else 40
    findings = _rates(groups, seed)
    return [f.widened() for f in findings] if quick else findings


def _rates(groups: int, seed: int) -> list[Finding]:
    """False flags of clean sweeps; found, and called a jump, at 3 to 100 times the noise, periods of 3 samples to a seventh."""
    findings = []
    for name, bench in BENCHES.items():
        false = found = jumps = count = 0
        for number, density in enumerate(DENSITIES):
            made = simulate_iv(density=density, bias=(-1.0, 1.0, POINTS), temperature_K=295.0, sweeps=REPEATS).sweeps
            for trial in range(groups):
                generator = np.random.default_rng([seed, 31, number, trial])
                clean, _ = apply_bench(made.current, replace(bench, converter_step_A=0), generator, time_step_s=2e-3)
                slow = bench.gap_noise * float(np.abs(made.current).mean())
                noise = max(bench.white_A, bench.converter_step_A / np.sqrt(12), slow)
                size = noise * np.exp(generator.uniform(np.log(3), np.log(100)))
                wave = size * _wave(len(made), np.exp(generator.uniform(np.log(3), np.log(POINTS / 7))), generator)
                false += len(_flagged(_rounded(made, clean, bench), "ripple"))
                rippled = _rounded(made, clean + wave, bench)
                found += len(_flagged(rippled, "ripple"))
                jumps += len(_flagged(rippled, "jump"))
                count += len(made)
        findings += [
            Finding(name, "called ripple without one [%]", 100 * false / count, 0.0, 1.0, count),
            Finding(name, "ripple of 3 to 100 times the noise found [%]", 100 * found / count, 95.0, 100.0, count),
            Finding(name, "rippled sweeps called jump [%]", 100 * jumps / count, 0.0, 1.0, count),
        ]
    return findings


def _wave(sweeps: int, period: float, generator: np.random.Generator) -> np.ndarray:
    """Sinusoids of one period in samples and of any phase, (sweeps, points)."""
    return np.sin(2 * np.pi * np.arange(POINTS) / period + generator.uniform(0, 2 * np.pi, (sweeps, 1)))


def _rounded(made: SweepSet, current: np.ndarray, bench: Bench) -> SweepSet:
    step = bench.converter_step_A
    return replace(made, current=np.round(current / step) * step if step else current)


def _flagged(sweeps: SweepSet, flag: str) -> list[str]:
    flags = judge_iv(sweeps)
    return list(flags.loc[flags["flag"] == flag, "sweep"])
