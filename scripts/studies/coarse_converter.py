"""A converter whose steps are larger than the noise: coverage of sweeps, sites and tips in I(z), bias, jumps, and its flag.

Sessions of two tips with three sites of three repeats each in two directions, from 1 nA over 3.3 decades, noise of 1 pA and 1 % of
the gap; the zero of the current lies anywhere between two steps, and is the same in all sweeps of a session. Readings are rounded
by the virtual junction, which shares nothing with the intervals that are fitted. Then the bands of averaged I(V) in such steps.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from sts.barrier import fit_barrier
from sts.curves import make_smoother
from sts.plan import Plan
from sts.simulate import Bench, simulate_iv
from sts.spectra import average_spectrum
from studies import Finding, mean_error, median_error
from studies.barrier_regimes import Regime, add_held, session

TITLE = "Steps of a converter that are larger than the noise"
STEPS = (2.5, 4.0, 6.0, 10.0, 20.0, 50.0)  # times the noise of the electronics
WITHHELD = 250.0  # a current of four steps
BENCH = Bench(white_A=1e-12, gap_noise=0.01)
BIAS = np.linspace(-1, 1, 201)
CURVE = 30 * BIAS**3 + 4 * BIAS  # of I(V), in steps
LINES = (0.2, 0.5, 1.0, 1.3, 2.0)  # steps from sample to sample: whole and half ones are read as evenly as they rise
IV_STEP, IV_WIDTH = 1.3e-11, 0.1


@dataclass
class Seen:
    """What the sessions of a step have shown so far."""

    held: dict[str, list[np.ndarray]] = field(default_factory=lambda: {"sweep": [], "site": [], "tip": []})
    z: list[np.ndarray] = field(default_factory=list)  # errors in standard uncertainties
    sweeps: int = 0
    jumps: int = 0
    coarse: int = 0
    without: int = 0  # an interval


def look(times: float, points: int, seed: int, seen: Seen) -> None:
    """Add one session to what was seen."""
    step = times * BENCH.white_A
    zero = step * float(np.random.default_rng([seed, 5]).uniform(-0.5, 0.5))
    regime = Regime("", replace(BENCH, converter_step_A=step, current_offset_A=zero), points=points)
    made, true, site = session(regime, seed)
    fit = fit_barrier(made)
    table = fit.table
    z = (table["decay_per_nm"].to_numpy(float) - true) / table["decay_se_per_nm"].to_numpy(float)
    seen.z.append(z[np.isfinite(z)])
    seen.sweeps += len(table)
    seen.jumps += int((fit.flags["flag"] == "jump").sum())
    seen.coarse += int((fit.flags["flag"] == "coarse steps").sum())
    seen.without += int(table["barrier_low_eV"].isna().sum())
    add_held(seen.held, table, true, site, regime)


def step_findings(times: float, points: int, seeds: range) -> list[Finding]:
    """Coverage at each level, bias, good sweeps called jumping, and how many are told to have coarse steps."""
    seen, case = Seen(), f"steps of {times:g} × the noise, {points} points"
    for seed in seeds:
        look(times, points, seed, seen)
    findings = []
    for level, bounds in (("sweep", (93.0, 97.0)), ("site", (93.0, 99.0)), ("tip", (90.0, 99.0))):
        held = np.concatenate(seen.held[level])
        share = 100 * float(held.mean())
        findings.append(Finding(case, f"coverage of 95 % intervals, {level} level [%]", share, *bounds, held.size))
    each = 100 / seen.sweeps
    return [
        *findings,
        Finding(
            case,
            "median bias of a slope [u]",
            float(np.median(np.concatenate(seen.z))),
            -0.3,
            0.3,
            len(seeds),
            median_error(np.concatenate(seen.z)),
        ),
        Finding(case, "false jumps [% of sweeps]", each * seen.jumps, 0, 1, seen.sweeps),
        Finding(case, "right flag (coarse steps) [% of sweeps]", each * seen.coarse, 95, 100, seen.sweeps),
        Finding(case, "sweeps without an interval [%]", each * seen.without, 0, 1, seen.sweeps),
    ]


def withheld_findings(seeds: range) -> list[Finding]:
    """A current of four steps has no barrier."""
    seen = Seen()
    for seed in seeds:
        look(WITHHELD, 150, seed, seen)
    case, each = f"steps of {WITHHELD:g} × the noise, 150 points", 100 / seen.sweeps
    return [Finding(case, "sweeps without an interval, flagged [%]", each * seen.without, 95, 100, seen.sweeps)]


def band_findings(case: str, curve: np.ndarray, times: float, groups: int, seed: int) -> Finding:
    """Coverage of the band of dI/dV of the mean of six sweeps of a curve [steps]; steps of so many times the noise."""
    table = simulate_iv(density="flat", bias=(-1, 1, 201), sweeps=6, temperature_K=4.2, seed=1).sweeps
    plan = Plan.model_validate({"spectra": {"smoothing_width_V": IV_WIDTH, "offsets": "keep"}})
    smoother, held = make_smoother(BIAS, width_V=IV_WIDTH), []
    rng = np.random.default_rng([seed, 9])
    for _ in range(groups):
        true = curve * rng.uniform(0.98, 1.02) + rng.uniform(-0.5, 0.5)
        current = IV_STEP * np.round(true + rng.standard_normal(table.current.shape) / times)
        spectrum = average_spectrum(replace(table, current=current), plan)
        ideal = smoother.differentiate(IV_STEP * true)
        there = np.isfinite(spectrum.didv_low)
        held.append(float(np.mean((spectrum.didv_low <= ideal)[there] & (ideal <= spectrum.didv_high)[there])))
    return Finding(
        f"{case} in steps of {times:g} × the noise",
        "coverage of the 95 % band of dI/dV [%]", 100 * float(np.mean(held)), 90, 100, groups, 100 * mean_error(held),
    )  # fmt: skip


def run(quick: bool = False, seed: int = 0) -> list[Finding]:
    """All steps; quick takes three of them and a twelfth of the sessions, and widens the bounds of shares."""
    trials = 5 if quick else 60
    seeds = range(1000 * seed, 1000 * seed + trials)
    findings = [f for times in (STEPS[2:5] if quick else STEPS) for f in step_findings(times, 150, seeds)]
    if not quick:
        findings += step_findings(6.0, 60, seeds) + step_findings(10.0, 30, seeds)
    findings += withheld_findings(seeds[: max(2, trials // 6)])
    groups = 6 if quick else 40
    findings += [band_findings("I(V)", CURVE, times, groups, seed) for times in (6.0, 20.0)]
    for slope in LINES:
        findings.append(band_findings(f"line of {slope:g} steps per sample", 100 * slope * BIAS, 20.0, groups, seed))
    return [f.widened() if "%" in f.measure else f for f in findings] if quick else findings
