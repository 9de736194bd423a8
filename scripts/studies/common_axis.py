"""Sweeps of different bias axes brought to one: coverage of the bands, and the width of a line against the resolution stated.

Two axes of 100 and 160 points with other ends and a shift between them. The truth of a band is the noise-free current through the
same operators; that of the resolution a step of the current at many places, whose mean derivative has its width measured.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from scipy.special import expit

from sts.curves import make_smoother
from sts.curves.crossings import full_width
from sts.flags import no_flags
from sts.plan import Plan
from sts.quantities import BOLTZMANN_EV, thermal_width
from sts.simulate import Bench, BiasRamp, Simulated, apply_bench, gapped, simulate_iv, v_shaped
from sts.spectra import average_spectrum
from sts.spectra.common_axis import on_common_axis, width_of
from sts.spectra.resolution import resolution
from sts.sweeps import SweepSet
from studies import Finding, mean_error

TITLE = "Sweeps of different bias axes on a common one"
AXES = ((-1.2, 1.2, 100), (-1.1, 1.15, 160), (-1.197, 1.203, 100))
NOISES = {"white noise": Bench(white_A=1e-12), "1/f noise": Bench(white_A=1e-12, gap_noise=0.03, gap_noise_slope=1)}
DENSITIES = {"a V": v_shaped(), "a gap": gapped(valence_eV=-0.5, conduction_eV=0.45)}
WIDTH = 0.08


def run(quick: bool = False, seed: int = 0) -> list[Finding]:
    """All figures; `quick` cuts the trials, and widens the bounds of coverage."""
    trials = 12 if quick else 300
    found = []
    for name, density in DENSITIES.items():
        ideal = [
            simulate_iv(density=density, sweeps=4, bias=axis, temperature_K=77.0, ramp=BiasRamp(setpoint_bias_V=1.0))
            for axis in AXES
        ]
        for noise, bench in NOISES.items():
            held = [_held(ideal, bench, (seed, trial)) for trial in range(trials)]
            wider = 200 * np.sqrt(0.05 * 0.95 / (8 * trials))
            measure = "coverage of the 95 % band of dI/dV [%]"
            share = 100 * float(np.mean(held))
            found.append(
                Finding(
                    f"{name}, three axes, {noise}",
                    measure,
                    share,
                    93 - wider,
                    97 + wider,
                    trials,
                    100 * mean_error(held),
                )
            )
    for number in ((0, 1), (0, 2), (0, 1, 2)):
        stated, measured = line_widths([AXES[i] for i in number])
        case = f"axes of {' and '.join(str(AXES[i][2]) for i in number)} points"
        found.append(
            Finding(case, "resolution stated over width measured of a line", stated / measured, 0.97, 1.05, 200)
        )
    return found


def _named(ideal: list[Simulated], currents: list[np.ndarray]) -> list[SweepSet]:
    """The sets with names and repeats of their own."""
    sets = []
    for number, (made, current) in enumerate(zip(ideal, currents, strict=True)):
        table = made.sweeps.table
        names = [f"{number}_{name}" for name in made.sweeps.names]
        sets.append(
            replace(made.sweeps, current=current, table=table.assign(sweep=names, repeat=table["repeat"] + 10 * number))
        )
    return sets


def _held(ideal: list[Simulated], bench: Bench, seed: tuple[int, int]) -> float:
    """Share of the points whose band holds the noise-free curve through the same operators."""
    rng = np.random.default_rng(seed)
    currents = [apply_bench(made.sweeps.current, bench, rng, time_step_s=2.5e-3)[0] for made in ideal]
    sweeps = on_common_axis(_named(ideal, currents))
    clean = on_common_axis(_named(ideal, [made.sweeps.current for made in ideal]))
    plan = Plan.model_validate({"spectra": {"smoothing_width_V": WIDTH, "beside": "none", "offsets": "keep"}})
    spectrum = average_spectrum(sweeps, plan, used=sweeps.names, flags=no_flags())
    truth = make_smoother(sweeps.axis, width_V=WIDTH).differentiate(clean.current.mean(axis=0))
    return float(np.mean((spectrum.didv_low < truth) & (truth < spectrum.didv_high)))


def line_widths(axes: list[tuple[float, float, int]], width_V: float = WIDTH) -> tuple[float, float]:
    """Resolution stated and full width at half height measured [V] of a line without width of its own, at 200 places in 5 steps.

    Parameters
    ----------
    axes : list of (float, float, int)
        First and last bias [V] and points of each, with as many sweeps.
    width_V : float
        Of the smoothing [V].

    Notes
    -----
    At a temperature whose width is two steps: a line without any has the steps of the axis in its shape.
    """
    grids = [np.linspace(*axis) for axis in axes]
    step = float(np.diff(grids[0])[0])
    temperature = 2 * step / float(thermal_width(1.0))
    offsets, curves = [], []
    for place in np.linspace(0.0, 5 * step, 200, endpoint=False):
        sets = []
        for i, grid in enumerate(grids):
            rise = expit((grid - place) / (BOLTZMANN_EV * temperature)) + grid  # the slope: what is level is at a limit
            sets.append(SweepSet("iv", grid, 1e-9 * rise[None], pd.DataFrame({"sweep": [f"iv_{i}"]})))
        common = on_common_axis(sets)
        smoother = make_smoother(common.axis, width_V=width_V)
        offsets.append(common.axis - place)
        curves.append(smoother.differentiate(common.current.mean(axis=0)) - 1e-9)
    edges = np.arange(-4 * width_V, 4 * width_V, step / 10)
    x, y = np.concatenate(offsets), np.concatenate(curves)
    counts = np.histogram(x, edges)[0]
    mean = np.histogram(x, edges, weights=y)[0] / np.maximum(counts, 1)
    middle = (edges[1:] + edges[:-1]) / 2
    stated = resolution(temperature_K=temperature, smoothing_kernel=smoother.kernel(), axis_V=width_of(common))
    return stated.total_V, full_width(middle[counts > 0], mean[counts > 0])
