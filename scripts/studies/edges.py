"""Gaps and where there are none, from sweeps of a simulator of its own: how often the truth lies in the stated interval.

The simulator shares nothing with the analysis: a density of states on a fine grid, convolved with the derivative of the
Fermi function, summed to a current; white noise of the amplifier, a set-point that scatters by 2 %, sites of four repeats (up
and down). All goes the way of the commands, through `average_spectrum` and `with_features`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from sts.plan import Plan
from sts.spectra import average_spectrum
from sts.spectra.features import with_features
from sts.spectra.gaps.gap import BANDS
from sts.sweeps import SweepSet, sweep_table
from studies import Finding, median_error

TITLE = "Edges of gaps: forms of bands, sites that differ, and spectra that have no gap"

AXIS = np.linspace(-1.5, 1.5, 151)
GRID = np.arange(-2.4, 2.4, 5e-4)
KT_PER_K = 8.617333e-5
FORMS = {"step": 0.0, "square-root": 0.5, "linear": 1.0, "quadratic": 2.0}
PLAN = Plan.model_validate({"features": {"peaks": False}})


@dataclass(frozen=True)
class Case:
    """What is simulated: `density` of energies [eV] and of the factor of a site; `gap_meV` NaN where there is none."""

    name: str
    density: Callable[[np.ndarray, float], np.ndarray]
    gap_meV: float = float("nan")
    temperature_K: float = 77.0
    site_scatter: float = 0.0
    noise_A: float = 1e-12
    sites: int = 4


def band(exponent: float, edge_eV: float = 0.5, tilt: float = 0.3) -> Callable[[np.ndarray, float], np.ndarray]:
    """Two bands ∝ distance**exponent from their edges, which a site moves; `tilt` is what a barrier adds with energy."""

    def density(energy: np.ndarray, factor: float) -> np.ndarray:
        x = np.abs(energy) - edge_eV * factor
        return np.where(x > 0, np.maximum(x, 1e-12) ** exponent, 0.0) * (1 + tilt * energy**2)

    return density


def _with_state(energy: np.ndarray, factor: float) -> np.ndarray:
    return band(1.0)(energy, factor) + 0.15 * np.exp(-(((energy - 0.1) / 0.04) ** 2))


def cases() -> list[Case]:
    """Forms at three temperatures, sites that differ, a state in the gap, and what has no gap."""
    found = [
        Case(f"{name} edges, {kelvin:g} K", band(p), 1000.0, kelvin)
        for name, p in FORMS.items()
        for kelvin in (4.0, 77.0, 295.0)
    ]
    found += [
        Case(f"linear edges, sites differ by {100 * scatter:g} %", band(1.0), 1000.0, site_scatter=scatter)
        for scatter in (0.02, 0.05, 0.08)
    ]
    found.append(Case("a state in a gap with linear edges", _with_state, 1000.0))
    found += [
        Case("no gap: V", lambda e, _: 0.02 + np.abs(e)),
        Case("no gap: V to zero (Dirac)", lambda e, _: np.abs(e), noise_A=3e-12),
        Case("no gap: parabola", lambda e, _: 0.02 + e**2),
        Case("no gap: metal", lambda e, _: 1 + 0.1 * e),
    ]
    return found


def conductance(case: Case, factor: float) -> np.ndarray:
    """dI/dV on `GRID`, any unit."""
    kT = KT_PER_K * case.temperature_K
    x = np.arange(-0.5, 0.5 + 1e-9, 5e-4)
    kernel = 1 / np.cosh(np.minimum(np.abs(x) / (2 * kT), 300)) ** 2
    wide = np.concatenate([GRID[0] - 5e-4 * np.arange(1000, 0, -1), GRID, GRID[-1] + 5e-4 * np.arange(1, 1001)])
    return np.convolve(case.density(wide, factor), kernel / kernel.sum(), "valid")


def simulate(case: Case, generator: np.random.Generator) -> SweepSet:
    """Sweeps of one trial: sites of four repeats, up and down."""
    current, rows = [], []
    for site in range(case.sites):
        factor = 1 + case.site_scatter * generator.standard_normal()
        g = conductance(case, factor)
        ideal = np.concatenate([[0.0], np.cumsum((g[1:] + g[:-1]) / 2 * 5e-4)])
        ideal = np.interp(AXIS, GRID, ideal) - np.interp(0.0, GRID, ideal)
        for repeat in range(4):
            level = 4e-10 / abs(ideal[-1]) * np.exp(0.02 * generator.standard_normal())
            for way in ("up", "down"):
                current.append(level * ideal + case.noise_A * generator.standard_normal(AXIS.size))
                rows.append((f"site {site}", way, repeat + 1.0))
    table = sweep_table([f"s{i}" for i in range(len(rows))], sample="invented", tip="heron", site=[r[0] for r in rows],
                        direction=[r[1] for r in rows], repeat=[r[2] for r in rows], temperature_K=case.temperature_K,
                        setpoint_current_A=4e-10, setpoint_bias_V=1.5)  # fmt: skip
    return SweepSet("iv", AXIS, np.array(current), table)


def run(quick: bool = False, seed: int = 0) -> list[Finding]:
    """All figures; `quick` does six trials of each case."""
    trials = 6 if quick else 100
    findings: list[Finding] = []
    held: list[np.ndarray] = []
    false: list[np.ndarray] = []
    for number, case in enumerate(cases()):
        rows = np.array([_gap(case, np.random.default_rng([seed, number, trial])) for trial in range(trials)])
        found, inside = np.isfinite(rows[:, 0]), (rows[:, 1] <= case.gap_meV) & (case.gap_meV <= rows[:, 2])
        if not np.isfinite(case.gap_meV):
            false.append(found)
            findings.append(Finding(case.name, "given a gap [%]", 100 * float(found.mean()), 0.0, 3.0, trials))
            continue
        held.append(inside)
        slack = 200 * float(np.sqrt(0.1 * 0.9 / trials))
        error = rows[found, 0] - case.gap_meV
        findings += [
            Finding(case.name, "gap found [%]", 100 * float(found.mean()), 95.0, 100.0, trials),
            Finding(case.name, "gap in its 95 % interval [%]", 100 * float(inside.mean()), 90.0 - slack, 100.0, trials),
            Finding(
                case.name, "gap, median error [meV]", float(np.median(error)), trials=trials, error=median_error(error)
            ),
            Finding(
                case.name,
                "gap, scatter between trials [meV]",
                float(np.std(error, ddof=1)),
                trials=trials,
                error=float(np.std(error, ddof=1)) / np.sqrt(2 * trials),
            ),
            Finding(
                case.name,
                "gap, median stated u [meV]",
                float(np.median(rows[found, 3])),
                trials=trials,
                error=median_error(rows[found, 3]),
            ),
        ]
    all_held, all_false = np.concatenate(held), np.concatenate(false)
    slack = 200 * float(np.sqrt(0.05 * 0.95 / all_held.size)) if quick else 0.0
    findings += [
        Finding("all gaps", "gap in its 95 % interval [%]", 100 * float(all_held.mean()), 93.0 - slack, 97.0 + slack,
                all_held.size),
        Finding("all without a gap", "given a gap [%]", 100 * float(all_false.mean()), 0.0, 1.0, all_false.size),
    ]  # fmt: skip
    return findings


def _gap(case: Case, generator: np.random.Generator) -> tuple[float, float, float, float]:
    """Gap, ends of its interval and u [meV] of one trial; NaN where none is given."""
    sweeps = simulate(case, generator)
    gaps = with_features(average_spectrum(sweeps, PLAN, used=sweeps.names), sweeps, PLAN).gaps
    assert gaps is not None
    row = gaps[gaps["gap_method"].str.startswith(BANDS)]
    columns = ["gap_meV", "gap_low_meV", "gap_high_meV", "gap_se_meV"]
    return tuple(row[columns].iloc[0]) if len(row) else (np.nan,) * 4
