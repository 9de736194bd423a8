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
from sts.sweeps import SweepSet, sweep_table

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
    found.append(Case("linear edges, narrow gap of 200 meV", band(1.0, 0.1), 200.0))
    found += [
        Case("no gap: V", lambda e, _: 0.02 + np.abs(e)),
        Case("no gap: parabola", lambda e, _: 0.02 + e**2),
        Case("no gap: metal", lambda e, _: 1 + 0.1 * e),
        Case("no gap: V to zero", lambda e, _: np.abs(e)),
        Case("no gap: noisy V", lambda e, _: 0.02 + np.abs(e), noise_A=1e-11),
        Case("no gap: noisy parabola", lambda e, _: 0.02 + e**2, noise_A=1e-11),
        Case("no gap: parabola to zero", lambda e, _: e**2),
        Case("no gap: noisy parabola to zero", lambda e, _: e**2, noise_A=5e-12),
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
