"""I(V) to dI/dV: error against the best window in hindsight, bands, planted offsets and faults, jumps.

Densities of states: ohmic, V-shaped, gapped (1 eV), two peaks, a lone narrow one, superconducting (1.35 meV at 1.8 K).
Noise: white, shot, 1/f of the gap. The error compared is the root mean square over bias, without the outermost 5 % at
either end.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from scipy import stats

from sts.curves import make_smoother
from sts.simulate import Bench, Simulated, apply_bench, gapped, simulate_iv, superconductor
from sts.simulate.densities import Density
from sts.spectra import average_spectrum, find_offsets, judge_iv
from sts.sweeps import SweepSet
from studies import Finding, mean_error

TITLE = "I(V): dI/dV, its bands, offsets and faults"


def _lone_peak(energy: np.ndarray) -> np.ndarray:
    """Flat but for a peak of 40 meV: what a width that has lost it cannot see."""
    return np.asarray(1 + 0.5 * np.exp(-4 * np.log(2) * ((energy - 0.3) / 0.04) ** 2))


DENSITIES: dict[str, dict[str, Any]] = {
    "ohmic": {"density": "flat"},
    "V-shaped": {"density": "v_shaped"},
    "1 eV gap": {"density": gapped(valence_eV=-0.5, conduction_eV=0.5)},
    "two peaks": {"density": "two_peaks"},
    "lone peak": {"density": Density("lone peak", _lone_peak), "temperature_K": 10.0},
    "superconducting": {"density": superconductor(gap_eV=1.35e-3), "bias": (-6e-3, 6e-3, 301), "temperature_K": 1.8},
}
NOISES = {
    "white": Bench(white_A=2e-12, setpoint_scatter=0.003),
    "shot": Bench(white_A=0.5e-12, shot_bandwidth_Hz=1e4, setpoint_scatter=0.003),
    "1/f": Bench(white_A=1e-12, gap_noise=0.03, gap_noise_slope=1, setpoint_scatter=0.003),
}
LIMIT = {"white": 1.25, "shot": 1.25, "1/f": 1.6}


def run(quick: bool = False, seed: int = 0) -> list[Finding]:
    """All figures; `quick` cuts the trials to a fifth, and widens the bounds of shares."""
    trials = 10 if quick else 50
    findings = []
    for density, arguments in DENSITIES.items():
        ideal = simulate_iv(sweeps=1, **{"bias": (-1.0, 1.0, 401), "temperature_K": 77.0, **arguments})
        for noise, bench in NOISES.items():
            for repeats in (5, 20, 100):
                count = max(5, trials * 5 // repeats) if repeats == 100 else trials
                findings += _spectrum(
                    f"{density}, {noise} noise, {repeats} repeats", ideal, bench, repeats, count, seed, noise
                )
    shares = _offsets(trials, seed) + _directions(trials, seed)
    findings += [f.widened() for f in shares] if quick else shares
    return findings + _jumps(trials, seed)


def _measured(ideal: Simulated, bench: Bench, repeats: int, seed: Any) -> SweepSet:
    rows = np.repeat(ideal.sweeps.current, repeats, axis=0)
    current, _ = apply_bench(rows, bench, np.random.default_rng(seed), time_step_s=2.5e-3)
    table = ideal.sweeps.table.iloc[np.tile([0, 1], repeats) if len(ideal.sweeps) == 2 else np.zeros(repeats, int)]
    order = np.tile(np.arange(len(ideal.sweeps)), repeats)
    number = np.repeat(np.arange(repeats) + 1.0, len(ideal.sweeps))
    table = table.assign(repeat=number, sweep=[f"r{n:g}_{k}" for n, k in zip(number, order, strict=True)])
    return replace(ideal.sweeps, current=current, table=table.reset_index(drop=True))


def _spectrum(
    case: str, ideal: Simulated, bench: Bench, repeats: int, trials: int, seed: int, noise: str
) -> list[Finding]:
    """Error of the chosen smoothing over that of the best fixed window, and coverage of the bands."""
    assert ideal.conductance is not None
    bias = ideal.sweeps.axis
    inner = slice(bias.size // 20, -(bias.size // 20))
    truth = ideal.conductance * np.exp(bench.setpoint_scatter**2 / 2)
    windows = [make_smoother(bias, width_V=w) for w in _widths(bias)]
    ratios, held, held_ratio, share = [], [], [], []
    for trial in range(trials):
        sweeps = _measured(ideal, bench, repeats, [seed, trial, repeats])
        spectrum = average_spectrum(sweeps)
        mean = spectrum.current
        level = float(mean @ ideal.clean / (ideal.clean @ ideal.clean))  # set-point scatter is no error of shape
        errors = [_rms((w.differentiate(mean) - level * ideal.conductance)[inner]) for w in windows]
        ratios.append(_rms((spectrum.didv - level * ideal.conductance)[inner]) / min(errors))
        smoother = make_smoother(bias, width_V=spectrum.resolution.smoothing_V)
        smoothed = smoother.differentiate(ideal.clean)
        small = np.abs(smoothed - ideal.conductance) < (spectrum.didv_high - spectrum.didv_low) / 6
        share.append(small.mean())
        if small.any():
            held.append(((spectrum.didv_low < truth) & (truth < spectrum.didv_high))[small].mean())
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = smoothed / (smoother.apply(ideal.clean) / bias)
        use = small & spectrum.trusted & np.isfinite(ratio)
        if use.any():
            held_ratio.append(((spectrum.normalised_low < ratio) & (ratio < spectrum.normalised_high))[use].mean())
    holds = "coverage of 95 % bands where smoothing bias is small [%]"
    low, high = _bounds(trials, 3 if case.startswith("ohmic") else 8)  # ohmic: smoothed over a third of the range
    return [
        Finding(
            case,
            "error of dI/dV over the best window's",
            float(np.mean(ratios)),
            0.999,
            LIMIT[noise],
            trials,
            mean_error(ratios),
        ),
        Finding(case, f"dI/dV: {holds}", 100 * float(np.mean(held)), low, high, trials, 100 * mean_error(held)),
        Finding(
            case,
            f"normalised: {holds}",
            100 * float(np.mean(held_ratio)),
            low,
            high,
            trials,
            100 * mean_error(held_ratio),
        ),
        Finding(
            case,
            "share of bias where smoothing bias is small [%]",
            100 * float(np.mean(share)),
            trials=trials,
            error=100 * mean_error(share),
        ),
    ]


def _bounds(trials: int, stretches: int) -> tuple[float, float]:
    """93 to 97 %, widened by twice the error of simulation with so many independent stretches of bias a trial."""
    wider = 200 * np.sqrt(0.05 * 0.95 / (stretches * trials))
    return 93.0 - wider, min(97.0 + wider, 100.0)


def _widths(bias: np.ndarray) -> np.ndarray:
    step = float(bias[1] - bias[0])
    return step * np.geomspace(2.5, bias.size / 3, 18)


def _rms(values: np.ndarray) -> float:
    return float(np.sqrt(np.mean(values**2)))


def _offsets(trials: int, seed: int) -> list[Finding]:
    """4 mV and 2 pA from three set-points of five repeats: within 10 %, or what "2 u" means at 13 degrees of freedom."""
    reach = float(stats.t.ppf(stats.norm.cdf(2), 13))
    bench = Bench(white_A=2e-12, bias_offset_V=4e-3, current_offset_A=2e-12, setpoint_scatter=0.05)
    ideals = [
        simulate_iv(density="v_shaped", setpoint_current_A=i, sweeps=1, bench=Bench(bias_offset_V=4e-3), bias=(-1.0, 1.0, 201))
        for i in (0.2e-9, 0.6e-9, 2e-9)
    ]  # fmt: skip
    hits = []
    for trial in range(4 * trials):
        sets = [_measured(ideal, bench, 5, [seed, 77, trial, k]) for k, ideal in enumerate(ideals)]
        found = find_offsets(sets)
        hits.append(
            [
                abs(found.bias_V - 4e-3) < max(4e-4, reach * found.bias_se_V),
                abs(found.current_A - 2e-12) < max(2e-13, reach * found.current_se_A),
            ]
        )
    case = "three set-points, 0.2, 0.6 and 2 nA, 5 repeats"
    rates = 100 * np.mean(hits, axis=0)
    return [
        Finding(case, "bias offset of 4 mV within 10 % or 2 u [%]", float(rates[0]), 93.0, 100.0, 4 * trials),
        Finding(case, "current offset of 2 pA within 10 % or 2 u [%]", float(rates[1]), 93.0, 100.0, 4 * trials),
    ]


def _directions(trials: int, seed: int) -> list[Finding]:
    """1 pF, 0.2 ms and 5 pm/s: within 10 % or two standard uncertainties."""
    bench = Bench(white_A=1e-12, capacitance_F=1e-12, lag_s=2e-4, drift_m_per_s=5e-12, gap_noise=0.005)
    truths = {"displacement_fF": 1000.0, "lag_ms": 0.2, "drift_per_s": -2.1e10 * 5e-12}
    hits: dict[str, list[bool]] = {name: [] for name in truths}
    for density in ("v_shaped", "two_peaks"):
        simulated = simulate_iv(density=density, sweeps=20 * trials, bench=bench, seed=seed + 5, bias=(-1.0, 1.0, 201))
        for trial in range(trials):
            part = simulated.sweeps.select(np.arange(40 * trial, 40 * (trial + 1)))
            found = average_spectrum(part).directions
            for name, truth in truths.items():
                hits[name].append(abs(found[name] - truth) < max(0.1 * abs(truth), 2 * found[f"{name}_se"]))
    case = "up against down, 20 repeats"
    return [
        Finding(case, f"{name} within 10 % or 2 u [%]", 100 * float(np.mean(values)), 90.0, 100.0, len(values))
        for name, values in hits.items()
    ]


def _jumps(trials: int, seed: int) -> list[Finding]:
    """×1.5 somewhere in every tenth sweep: found, and false alarms."""
    findings = []
    for noise, quiet in NOISES.items():
        bench = replace(quiet, jump_factor=1.5, jump_share=0.1)
        found = planted = false = clean = 0
        for density in ("flat", "v_shaped", "gapped"):
            ideal = simulate_iv(density=density, sweeps=1, bias=(-1.0, 1.0, 201))
            for trial in range(trials):
                for repeats in (5, 20):
                    rows = _measured(ideal, Bench(), repeats, 0)
                    current, jumped = apply_bench(
                        rows.current, bench, np.random.default_rng([seed, trial, repeats]), time_step_s=2.5e-3
                    )
                    flags = judge_iv(replace(rows, current=current))
                    left_out = np.isin(rows.names, flags.loc[flags["flag"].isin(["jump", "outlier"]), "sweep"])
                    found += int(left_out[jumped >= 0].sum())
                    planted += int((jumped >= 0).sum())
                    false += int(left_out[jumped < 0].sum())
                    clean += int((jumped < 0).sum())
        case = f"jumps ×1.5, {noise} noise, groups of 5 and 20"
        findings += [
            Finding(case, "jumping sweeps left out [%]", 100 * found / planted, 95.0, 100.0, planted),
            Finding(case, "other sweeps left out [%]", 100 * false / clean, 0.0, 1.0, clean),
        ]
    return findings
