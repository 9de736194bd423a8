"""Noise of a gap and of its electronics that is not white, or both: coverage of sweeps, sites and tips, and flags that are false.

Sessions of 2 or 4 tips with three sites of four repeats each, retract only: all that is known of the noise is in twelve sweeps
of each tip. The noise is made by the virtual junction, whose 1/f spectrum shares nothing with the memories that are fitted.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from sts.barrier import fit_barrier
from sts.simulate import Bench
from studies import NO_LOOP, Finding, median_error
from studies.barrier_regimes import Regime, add_held, session

TITLE = "I(z) in noise that is white, slow, or both"
DURATION_S = 0.4  # of a ramp of the virtual junction
BENCHES = {
    "white gap noise 1 %": Bench(white_A=1e-12, gap_noise=0.01),
    "1/f gap noise 1 %": Bench(white_A=1e-12, gap_noise=0.01, gap_noise_slope=1.0),
    "1/f^1.5 gap noise 1 %": Bench(white_A=1e-12, gap_noise=0.01, gap_noise_slope=1.5),
    "1/f 1 % and white 1 %": Bench(white_A=1e-12, gap_noise=0.01, gap_noise_slope=1.0, gap_white=0.01),
    "mains of 2 pA, 4.3 periods": Bench(white_A=1e-12, gap_noise=0.01, ripple_A=2e-12, ripple_period_s=DURATION_S / 4.3),
}  # fmt: skip
SLOW = ("1/f gap noise 1 %", "1/f^1.5 gap noise 1 %")


@dataclass
class Seen:
    """What the sessions of a bench have shown so far."""

    held: dict[str, list[np.ndarray]] = field(default_factory=lambda: {"sweep": [], "site": [], "tip": []})
    half: list[np.ndarray] = field(default_factory=list)  # of the interval, relative
    error: list[np.ndarray] = field(default_factory=list)  # of the barrier, relative
    slow: list[bool] = field(default_factory=list)  # whether a tip is flagged


def look(regime: Regime, seed: int, seen: Seen) -> None:
    """Add one session to what was seen."""
    made, true, site = session(regime, seed)
    fit = fit_barrier(made, NO_LOOP)
    table = fit.table
    add_held(seen.held, table, true, site, regime)
    seen.half.append(((table["barrier_high_eV"] - table["barrier_low_eV"]) / table["barrier_eV"] / 2).to_numpy(float))
    seen.error.append(2 * (table["decay_per_nm"].to_numpy(float) / true - 1))
    flagged = table["sweep"].isin(fit.flags.loc[fit.flags["flag"] == "slow noise", "sweep"])
    seen.slow += flagged.groupby(table["tip"]).any().tolist()


def bench_findings(name: str, points: int, tips: int, seeds: range) -> list[Finding]:
    """Coverage at each level, width against the truth, bias, and how many tips are told to have slow noise."""
    seen, case = Seen(), f"{name}, {points} points, {tips} tips"
    regime = Regime(case, BENCHES[name], points=points, tips=tips, repeats=4, directions=("retract",))
    for seed in seeds:
        look(regime, seed, seen)
    findings = []
    for level, bounds in (("sweep", (93.0, 97.0)), ("site", (93.0, 99.0)), ("tip", (90.0, 99.0))):
        if points == 8 and level == "sweep":
            bounds = (93.0, 97.5)
        held = np.concatenate(seen.held[level])
        share = 100 * float(held.mean())
        findings.append(Finding(case, f"coverage of 95 % intervals, {level} level [%]", share, *bounds, held.size))
    error, half = np.concatenate(seen.error), np.concatenate(seen.half)
    told = 100 * float(np.mean(seen.slow))
    findings.append(
        Finding(
            case,
            "median bias of a barrier [% of it]",
            100 * float(np.median(error)),
            -0.1,
            0.1,
            error.size,
            100 * median_error(error),
        )
    )
    if name == "white gap noise 1 %":
        findings.append(Finding(case, "tips falsely told to have slow noise [%]", told, 0, 1, len(seen.slow)))
        if points > 8:
            wide = float(np.median(half) / (1.96 * error.std()))
            findings.append(
                Finding(
                    case,
                    "interval over that of known noise",
                    wide,
                    0.97,
                    1.07,
                    error.size,
                    wide / np.sqrt(2 * error.size),
                )
            )
    elif name in SLOW and points > 60:
        findings.append(Finding(case, "tips told to have slow noise [%]", told, 95, 100, len(seen.slow)))
    return findings


def run(quick: bool = False, seed: int = 0) -> list[Finding]:
    """All benches; quick takes a tenth of the sessions and widens the bounds."""
    trials = 10 if quick else 100
    seeds = range(1000 * seed, 1000 * seed + trials)
    findings = []
    for name in BENCHES:
        for points in (8, 60, 150, 400) if name == "white gap noise 1 %" else (60, 150, 400):
            for tips in (2, 4) if points == 60 else (2,):
                findings += bench_findings(name, points, tips, seeds)
    return [f.widened() if "%]" in f.measure else f for f in findings] if quick else findings
