"""The electron temperature from a superconducting gap: whether its interval, or its bound, holds the true one.

Sweeps come from the virtual junction, which integrates a broadened density of states directly. Δ of lead and of niobium, lifetime
broadening Γ from none to a fifth of Δ, 5 to 20 repeats, white and 1/f noise, dI/dV of the current or of a lock-in channel. All go
the way of the command: `average_spectrum` (which chooses a smoothing), then `electron_temperature`. The table says a bath that is
colder than the electrons. Bounds were set before the first run.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from sts.plan import Plan
from sts.simulate import Bench, BiasRamp, simulate_iv, superconductor
from sts.spectra import average_spectrum
from sts.spectra.electron_temperature import ElectronTemperature, electron_temperature
from studies import Finding, median_error

TITLE = "The electron temperature from a superconducting gap: intervals, and bounds where Γ does the same"

LOCKIN = Plan.model_validate({"spectra": {"didv_from": "lock-in"}})
LEAD, NIOBIUM = 1.35e-3, 1.5e-3  # Δ [eV]
BATH = 0.7  # of the electron temperature
WHITE = Bench(white_A=4e-13, setpoint_scatter=0.02, lockin_noise_S=2e-9)
PINK = Bench(white_A=2e-13, setpoint_scatter=0.02, lockin_noise_S=1e-9, gap_noise=0.002, gap_noise_slope=1.0)
NOISY = Bench(white_A=3e-12, setpoint_scatter=0.02)
FEWEST = 20  # two-sided intervals, of which a share is worth a bound


@dataclass(frozen=True)
class Case:
    """What is simulated."""

    temperature_K: float
    gap_eV: float = LEAD
    ratio: float = 0.0  # Γ/Δ
    repeats: int = 8
    bench: Bench = WHITE
    modulation_rms_V: float = float("nan")

    @property
    def name(self) -> str:
        """What it is, in words."""
        noise = {id(WHITE): "white", id(PINK): "1/f", id(NOISY): "much white"}[id(self.bench)]
        modulation = f", lock-in {1e6 * self.modulation_rms_V:g} µV" if self.modulation_rms_V > 0 else ""
        what = f"{self.temperature_K:g} K, Δ {1e3 * self.gap_eV:g} meV, Γ {self.ratio:g} Δ, {self.repeats} repeats, {noise}"
        return what + modulation


CASES = (
    Case(0.3), Case(0.3, ratio=0.2, repeats=20), Case(0.5, NIOBIUM, 0.05, 12, PINK), Case(1.2, repeats=5),
    Case(1.2, ratio=0.02, repeats=8, bench=PINK), Case(1.2, NIOBIUM, 0.2, 8, modulation_rms_V=1e-4),
    Case(2.0, ratio=0.05, repeats=5, bench=PINK), Case(2.0, NIOBIUM, 0.0, 20, PINK, 1e-4), Case(4.2, ratio=0.02, repeats=12),
    Case(4.2, NIOBIUM, 0.1, 5), Case(4.2, ratio=0.2, repeats=20, bench=PINK), Case(8.0, NIOBIUM, 0.02, 12),
    Case(0.3, ratio=0.2, repeats=5, bench=NOISY), Case(0.3, ratio=0.1, repeats=12, bench=NOISY),
    Case(0.5, NIOBIUM, 0.2, bench=NOISY),
)  # fmt: skip


class _Trial(NamedTuple):
    case: Case
    found: ElectronTemperature

    @property
    def two_sided(self) -> bool:
        return bool(np.isfinite(self.found.value))

    @property
    def said(self) -> bool:
        """Whether anything was stated."""
        return bool(self.found.low > 0 or np.isfinite(self.found.high))

    @property
    def held(self) -> bool:
        return bool(self.found.low <= self.case.temperature_K <= self.found.high)


def run(quick: bool = False, seed: int = 0) -> list[Finding]:
    """All figures; `quick` does four trials of each case."""
    trials = 4 if quick else 60
    findings, every = [], []
    for number, case in enumerate(CASES):
        rows = [_Trial(case, one(case, 100_000 * seed + 1000 * number + trial)) for trial in range(trials)]
        every += rows
        said = [row for row in rows if row.said]
        slack = 300 * float(np.sqrt(0.05 * 0.95 / max(len(said), 1)))
        values = np.array([[row.found.value, row.found.se] for row in rows if row.two_sided]).reshape(-1, 2)
        findings.append(Finding(case.name, "two-sided [%]", 100 * len(values) / trials, trials=trials))
        if said:
            findings.append(
                Finding(case.name, "interval or bound holds it [%]", _share(said), 95.0 - slack, 100.0, len(said))
            )
        if len(values) >= FEWEST:
            off = (values[:, 0] - case.temperature_K) / values[:, 1]
            findings += [
                Finding(case.name, "median error over u", float(np.median(off)), -0.3, 0.3, len(values),
                        median_error(off)),
                Finding(case.name, "median u [mK]", 1e3 * float(np.median(values[:, 1])), trials=len(values),
                        error=1e3 * median_error(values[:, 1])),
            ]  # fmt: skip
    return findings + _together(every, quick)


def _together(every: list[_Trial], quick: bool) -> list[Finding]:
    two, one_sided = [row for row in every if row.two_sided], [row for row in every if row.said and not row.two_sided]
    found = [
        Finding("all", "two-sided intervals hold it [%]", _share(two), 93.0, 97.0, len(two)),
        Finding("all", "bounds hold it [%]", _share(one_sided), 95.0, 100.0, len(one_sided)),
    ]
    return [one.widened() for one in found] if quick else found


def _share(rows: list[_Trial]) -> float:
    return 100 * float(np.mean([row.held for row in rows])) if rows else float("nan")


def one(case: Case, seed: int) -> ElectronTemperature:
    """What one simulated session says."""
    lockin = case.modulation_rms_V > 0
    sweeps = simulate_iv(
        density=superconductor(gap_eV=case.gap_eV, broadening_eV=case.ratio * case.gap_eV), bias=(-6e-3, 6e-3, 121),
        temperature_K=case.temperature_K, sweeps=case.repeats, bench=case.bench, seed=seed,
        ramp=BiasRamp(modulation_rms_V=case.modulation_rms_V if lockin else 0.0),
    ).sweeps  # fmt: skip
    sweeps = sweeps.with_table(sweeps.table.assign(temperature_K=BATH * case.temperature_K))
    plan = LOCKIN if lockin else Plan()
    return electron_temperature(average_spectrum(sweeps, plan), sweeps, plan)
