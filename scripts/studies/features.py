"""What is read off a spectrum: edges of a gap, superconducting gap, lock-in gain; each against what was planted.

All go the way of the commands, through `average_spectrum` and `with_features`. "Within 2 u" holds for 95.4 % of trials if
an uncertainty is right, so its bound is 90 % less twice the error of simulation there: a bound below which it is wrong.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from sts.plan import Plan
from sts.simulate import Bench, BiasRamp, Simulated, apply_bench, gapped, simulate_iv, superconductor, v_shaped
from sts.simulate.densities import Density
from sts.spectra import average_spectrum
from sts.spectra.features import with_features
from sts.spectra.gaps.gap import BANDS, ONSET
from sts.spectra.models import Measured
from sts.spectra.models.inelastic import fit_inelastic_step, inelastic_step
from sts.spectra.peaks import find_peaks
from sts.sweeps import SweepSet
from studies import Finding, median_error

TITLE = "Features of a spectrum: gaps, peaks, steps and the lock-in's gain"

QUIET = Bench(white_A=5e-13, setpoint_scatter=0.02)
REPEATS = 12


def run(quick: bool = False, seed: int = 0) -> list[Finding]:
    """All figures; `quick` does eight trials of each."""
    trials = 8 if quick else 200
    return (
        _gaps(trials, seed)
        + _no_gaps(trials, seed)
        + _superconducting(trials, seed)
        + _peaks(trials, seed)
        + _inelastic(trials, seed)
        + _lockin(trials, seed)
    )


def _gaps(trials: int, seed: int) -> list[Finding]:
    """A gap of 1 eV with linear and square-root edges, whose form is found."""
    findings = []
    plan = Plan.model_validate({"features": {"peaks": False}})
    for edge, exponent in (("linear", 1.0), ("square-root", 0.5)):
        density = gapped(valence_eV=-0.5, conduction_eV=0.5, exponent=exponent)
        for temperature in (4.0, 77.0, 295.0):
            made = simulate_iv(
                density=density,
                bias=(-1.5, 1.5, 301),
                temperature_K=temperature,
                sweeps=REPEATS,
                setpoint_current_A=4e-10,
                ramp=BiasRamp(duration_s=1.0),
            )
            rows = []
            for trial in range(trials):
                sweeps = _measured(made, QUIET, [seed, 11, trial])
                gaps = with_features(average_spectrum(sweeps, plan), sweeps, plan).gaps
                assert gaps is not None
                line = gaps[gaps["gap_method"] == BANDS]
                onset = gaps[gaps["gap_method"] == ONSET]
                rows.append([*line[["gap_meV", "gap_se_meV"]].iloc[0], *onset[["gap_low_meV", "gap_high_meV"]].iloc[0]]
                            if len(line) and len(onset) else [np.nan] * 4)  # fmt: skip
            gap, se, low, high = np.array(rows, float).T
            case = f"1 eV gap, {edge} edges, {temperature:g} K"
            held = 100 * float(np.mean((low <= 1000) & (high >= 1000)))
            findings += [
                Finding(case, "gap between bands within 2 u [%]", _share(gap - 1000, se), _least(trials), 100.0, trials),
                Finding(case, "gap between bands, median error [meV]", float(np.nanmedian(gap - 1000)), trials=trials,
                        error=median_error(gap)),
                Finding(case, "gap between bands, scatter between trials [meV]", float(np.nanstd(gap, ddof=1)), trials=trials,
                        error=float(np.nanstd(gap, ddof=1)) / np.sqrt(2 * trials)),
                Finding(case, "gap between bands, median stated u [meV]", float(np.nanmedian(se)), 0.0, 20.0, trials,
                        median_error(se)),
                Finding(case, "gap within the bounds of the log onset [%]", held, _least(trials), 100.0, trials),
            ]  # fmt: skip
    return findings


def _no_gaps(trials: int, seed: int) -> list[Finding]:
    """Spectra without a gap at three noises, a seventh of the trials each; a gap of 0.8 eV under the same."""
    findings = []
    plan = Plan.model_validate({"features": {"peaks": False}})
    parabola = Density("parabola", lambda energy: 0.02 + 2 * energy**2, (0.0,))
    shapes = {"V": v_shaped(floor=0.0), "parabola": parabola, "0.8 eV gap": gapped(valence_eV=-0.4, conduction_eV=0.4)}
    count = max(trials // 7, 5)
    for name, density in shapes.items():
        made = simulate_iv(density=density, bias=(-1.0, 1.0, 201), temperature_K=77.0, sweeps=REPEATS)
        for white_A in (5e-13, 5e-12, 2e-11):
            gaps, unsure = 0, 0
            for trial in range(count):
                sweeps = _measured(made, replace(QUIET, white_A=white_A), [seed, 14, trial])
                found = with_features(average_spectrum(sweeps, plan), sweeps, plan).gaps
                assert found is not None
                gaps += bool(found["gap_meV"].notna().any())
                unsure += found["note"].iloc[0].startswith("cannot tell")
            case = f"{name}, {1e12 * white_A:g} pA"
            hidden = "gap" in name and white_A > 1e-12  # what noise may do; shown, with no bound
            bounds = (
                (np.nan, np.nan) if hidden else (_least(count), 100.0) if "gap" in name else (0.0, 95.0 - _least(count))
            )
            findings += [
                Finding(case, "given a gap [%]", 100 * gaps / count, *bounds, count),
                Finding(case, "told that noise hides it [%]", 100 * unsure / count, trials=count),
            ]
    return findings


def _peaks(trials: int, seed: int) -> list[Finding]:
    """Two Gaussian peaks at places that are no multiple of a step, independent noise on dI/dV: closed forms."""
    v = np.linspace(-0.5, 0.5, 201)
    true = [(-0.1033, 0.06, 2.0), (0.2017, 0.043, 1.0)]
    clean = 1 + sum(h * np.exp(-4 * np.log(2) * ((v - c) / w) ** 2) for c, w, h in true)
    rows = []
    for trial in range(trials):
        noise = 0.02 * np.random.default_rng([seed, 15, trial]).standard_normal((REPEATS, v.size))
        table = find_peaks(v, clean + noise, significance=12)
        both = ["position_V", "position_se_V", "width_V", "width_se_V"]
        rows.append(table[both].to_numpy(float) if len(table) == 2 else np.full((2, 4), np.nan))
    found = np.array(rows)
    findings = []
    for i, (centre, width, _) in enumerate(true):
        case = f"peak of {1e3 * width:g} mV"
        position = _share(found[:, i, 0] - centre, found[:, i, 1])
        findings += [
            Finding(case, "position within 2 u [%]", position, _least(trials), 100.0, trials),
            Finding(
                case,
                "width, median error [%]",
                100 * float(np.nanmedian(found[:, i, 2] / width - 1)),
                -1.0,
                1.0,
                trials,
                100 * median_error(found[:, i, 2] / width),
            ),
            Finding(case, "width within 2 u [%]", _share(found[:, i, 2] - width, found[:, i, 3]), 70.0, 100.0, trials),
        ]
    return findings


def _inelastic(trials: int, seed: int) -> list[Finding]:
    """Steps at ±18 meV at 8 K under white noise of dI/dV."""
    v = np.linspace(-0.04, 0.04, 161)
    clean = inelastic_step(v, 0.018, 0.05, 1.0, temperature_K=8.0)
    fits = []
    for trial in range(trials):
        noise = 0.002 * np.random.default_rng([seed, 16, trial]).standard_normal(v.size)
        fits.append(fit_inelastic_step(Measured(v, clean + noise, np.full(v.size, 0.002), temperature_K=8.0)))
    case = "inelastic step, 18 meV, 8 K"
    findings = []
    for name, shown, true in (("energy", "energy_eV", 0.018), ("size", "size", 0.05)):
        error, u = np.array([[fit.values[name] - true, fit.errors[name]] for fit in fits]).T
        findings.append(Finding(case, f"{shown} within 2 u [%]", _share(error, u), _least(trials), 100.0, trials))
    good = 100 * float(np.mean([fit.verdict == "good" for fit in fits]))
    return [*findings, Finding(case, "fits called good [%]", good, 97.0, 100.0, trials)]


def _superconducting(trials: int, seed: int) -> list[Finding]:
    """Δ = 1.35 meV at 1.8 K, with Γ of 0.05 and 0.2 meV."""
    findings = []
    plan = Plan.model_validate({"features": {"superconductor": True, "gap": False, "peaks": False}})
    for broadening in (0.05, 0.2):
        density = superconductor(gap_eV=1.35e-3, broadening_eV=broadening * 1e-3)
        made = simulate_iv(density=density, bias=(-6e-3, 6e-3, 301), temperature_K=1.8, sweeps=REPEATS)
        fits = []
        for trial in range(trials):
            sweeps = _measured(made, QUIET, [seed, 12, trial])
            fits.append(with_features(average_spectrum(sweeps, plan), sweeps, plan).fits["superconductor"])
        gap, gap_se, width, width_se = np.array(
            [[1e3 * part[name] for name in ("gap", "broadening") for part in (f.values, f.errors)] for f in fits]
        ).T
        case = f"Δ 1.35 meV, Γ {broadening:g} meV, 1.8 K"
        good = 100 * float(np.mean([f.verdict.startswith("good") for f in fits]))
        findings += [
            Finding(case, "Δ within 2 u [%]", _share(gap - 1.35, gap_se), _least(trials), 100.0, trials),
            Finding(case, "Γ within 2 u [%]", _share(width - broadening, width_se), _least(trials), 100.0, trials),
            Finding(
                case,
                "median stated u of Δ [meV]",
                float(np.nanmedian(gap_se)),
                trials=trials,
                error=median_error(gap_se),
            ),
            Finding(
                case,
                "median stated u of Γ [meV]",
                float(np.nanmedian(width_se)),
                trials=trials,
                error=median_error(width_se),
            ),
            Finding(
                case,
                "Γ, median error [meV]",
                float(np.nanmedian(width - broadening)),
                -0.002,
                0.002,
                trials,
                median_error(width),
            ),
            Finding(case, "fits called good [%]", good, 97.0, 100.0, trials),
        ]
    return findings


def _lockin(trials: int, seed: int) -> list[Finding]:
    """A lock-in channel whose gain is right, 10 % off, and √2 off."""
    findings = []
    plan = Plan.model_validate({"features": {"gap": False, "peaks": False}})
    for gain in (1.0, 1.1, float(np.sqrt(2))):
        bench = replace(QUIET, lockin_gain=gain, lockin_noise_S=2e-12)
        hits, judged = [], []
        for trial in range(trials):
            sweeps = simulate_iv(
                density="v_shaped",
                bias=(-1.0, 1.0, 201),
                temperature_K=77.0,
                sweeps=REPEATS,
                bench=bench,
                seed=1000 * seed + trial,
                ramp=BiasRamp(modulation_rms_V=5e-3),
            ).sweeps
            found = with_features(average_spectrum(sweeps, plan), sweeps, plan).lockin
            hits.append(abs(found.gain - gain) <= 2 * found.gain_se)
            judged.append(found.agrees == (gain == 1.0))
        case = f"lock-in gain {gain:.4g}"
        findings += [
            Finding(case, "gain within 2 u [%]", 100 * float(np.mean(hits)), _least(trials), 100.0, trials),
            Finding(case, "rightly called right or off [%]", 100 * float(np.mean(judged)), 95.0, 100.0, trials),
        ]
    return findings


def _measured(made: Simulated, bench: Bench, seed: Any) -> SweepSet:
    """The faults of a bench on ideal sweeps; up and down of a repeat share the set-point."""
    generator = np.random.default_rng(seed)
    step = float(made.sweeps.table["duration_s"].iloc[0]) / (made.sweeps.axis.size - 1)
    setpoint = np.exp(bench.setpoint_scatter * generator.standard_normal(REPEATS))
    current, _ = apply_bench(made.sweeps.current, bench, generator, time_step_s=step, setpoint=np.repeat(setpoint, 2))
    return replace(made.sweeps, current=current)


def _share(error: np.ndarray, u: np.ndarray) -> float:
    """Within 2 u [%]; what was not found counts as missed."""
    return 100 * float(np.mean(np.abs(error) <= 2 * u))


def _least(trials: int) -> float:
    return 90.0 - 200 * float(np.sqrt(0.05 * 0.95 / trials))
