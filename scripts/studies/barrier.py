"""Do barriers come back, are their intervals honest, and are jumps told from noise? Nine benches, through the fit.

Each bench of `BENCHES` is one of the regimes that decide: what an evaporated gold film in vacuum, a dirty tip in air or
a grid with 40 points per sweep would give. Sites and tips are the matter of tips.py.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy import stats

from sts.barrier import fit_barrier, pair_directions, slopes_by_repeat
from sts.quantities import ELEMENTARY_CHARGE, barrier_from_decay, decay_from_barrier
from sts.simulate import Bench, HeightRamp, simulate_iz
from sts.sweeps import SweepSet
from studies import NO_LOOP, Finding, median_error

TITLE = "Barrier heights: bias, spread, coverage and jumps"


@dataclass(frozen=True)
class Regime:
    """One bench and one kind of sweep."""

    case: str
    barrier_eV: float
    range_m: float
    bench: Bench
    points: int = 150
    current_A: float = 1e-9
    white: bool = True  # whether the noise is white: then the limit of Cramér and Rao and the coverage are asked for


REGIMES = (
    Regime("clean vacuum, 1 pA", 4.4, 0.36e-9, Bench(white_A=1e-12)),
    Regime("clean vacuum, 1 pA and shot noise in 10 kHz", 4.4, 0.36e-9, Bench(white_A=1e-12, shot_bandwidth_Hz=1e4)),
    Regime("offset +10 pA, converter step 0.3 pA", 4.4, 0.36e-9,
           Bench(white_A=1e-12, gap_noise=0.005, current_offset_A=1e-11, converter_step_A=3e-13)),
    Regime("offset -10 pA, converter step 3 pA", 4.4, 0.36e-9,
           Bench(white_A=1e-12, gap_noise=0.005, current_offset_A=-1e-11, converter_step_A=3e-12)),
    Regime("ambient, 0.3 eV, 6 pA and 3 % gap noise", 0.3, 1.2e-9, Bench(white_A=6e-12, gap_noise=0.03)),
    Regime("ambient, 1.2 eV, 6 pA and 3 % gap noise", 1.2, 0.6e-9, Bench(white_A=6e-12, gap_noise=0.03)),
    Regime("deep, 4.3 decades", 4.4, 0.46e-9, Bench(white_A=1e-12, gap_noise=0.01), points=256, current_A=2e-8),
    Regime("saturated at 10 nA", 4.4, 0.45e-9, Bench(white_A=1e-12, gap_noise=0.01, full_scale_A=1e-8),
           points=200, current_A=3e-8),
    Regime("40 points", 4.4, 0.36e-9, Bench(white_A=1e-12, gap_noise=0.01), points=40),
    Regime("1/f gap noise 3 %", 4.4, 0.36e-9, Bench(white_A=1e-12, gap_noise=0.03, gap_noise_slope=1.0), white=False),
)  # fmt: skip


def limit(regime: Regime) -> float:
    """Least standard deviation of the decay [1/m] (Cramér-Rao) that an unbiased fit of A, decay and offset can have."""
    z = np.linspace(0, regime.range_m, regime.points)
    bench = regime.bench
    signal = regime.current_A * np.exp(-decay_from_barrier(regime.barrier_eV) * z)
    variance = bench.white_A**2 + bench.converter_step_A**2 / 12 + (bench.gap_noise * signal) ** 2
    variance += 2 * ELEMENTARY_CHARGE * bench.shot_bandwidth_Hz * signal
    jacobian = np.stack([signal, -z * signal, np.ones_like(z)], axis=1)
    keep = signal < bench.full_scale_A
    jacobian, variance = jacobian[keep], variance[keep]
    size = np.linalg.norm(jacobian, axis=0)
    scaled = jacobian / size / np.sqrt(variance)[:, None]
    return float(np.sqrt(np.linalg.inv(scaled.T @ scaled)[1, 1]) / size[1])


def inside(table: pd.DataFrame, barrier_eV: float) -> float:
    """Share [%] of the intervals that hold the truth."""
    return float(100 * ((table["barrier_low_eV"] <= barrier_eV) & (barrier_eV <= table["barrier_high_eV"])).mean())


def regime_findings(regime: Regime, sweeps: int, seed: np.random.Generator) -> list[Finding]:
    """Bias, spread, coverage and false flags of one bench, and the jumps planted in a tenth of the sweeps."""
    case, truth = regime.case, regime.barrier_eV
    made = simulate_iz(barrier_eV=truth, height=(0.0, regime.range_m, regime.points), current_A=regime.current_A,
                       sweeps=sweeps, bench=regime.bench, seed=seed, tip="heron").sweeps  # fmt: skip
    table = fit_barrier(made, NO_LOOP).table
    bias = 100 * (table["barrier_eV"].median() / truth - 1)
    flagged = table["flags"].str.split(";").explode().value_counts(normalize=False) * 100 / sweeps
    expected = {"": 0, "saturated": 0, "low barrier": 0, "slow noise": 0, "coarse steps": 0}
    other = flagged.drop([f for f in expected if f in flagged.index])
    findings = [
        Finding(
            case,
            "median bias of the barrier [%]",
            bias,
            -0.5,
            0.5,
            sweeps,
            100 * median_error(table["barrier_eV"]) / truth,
        ),
        Finding(case, "sweeps called jumping that do not [%]", float(flagged.get("jump", 0.0)), 0, 1, sweeps),
        Finding(case, "most frequent false flag [%]", float(other.max()) if len(other) else 0.0, 0, 1, sweeps),
    ]
    low, high = (93.0, 97.0) if regime.white else (92, 97)
    findings.append(
        Finding(case, "coverage of 95 % intervals, sweep level [%]", inside(table, truth), low, high, sweeps)
    )
    if regime.white:
        spread = float(table["decay_per_nm"].std() * 1e9 / limit(regime))
        findings.append(
            Finding(case, "spread over the Cramér-Rao limit", spread, 0.9, 1.15, sweeps, spread / np.sqrt(2 * sweeps))
        )
    return findings + jump_findings(regime, made, seed)


def jump_findings(regime: Regime, made: SweepSet, rng: np.random.Generator) -> list[Finding]:
    """A tenth of the sweeps steps by 1.5, up or down, where the current is at least 20 times its noise floor."""
    bench, z = regime.bench, made.axis
    signal = regime.current_A * np.exp(-decay_from_barrier(regime.barrier_eV) * z)
    floor = np.hypot(bench.white_A, bench.converter_step_A)
    last = int(np.flatnonzero(signal > 20 * floor)[-1])
    first = int(np.argmax(signal < bench.full_scale_A / 1.5))
    edge = max(3, regime.points // 20)
    jumping = rng.random(len(made)) < 0.1
    place = rng.integers(first + edge, max(last - edge, first + edge + 1), len(made))
    factor = np.where(rng.random(len(made)) < 0.5, 1.5, 1 / 1.5)
    after = jumping[:, None] & (np.arange(z.size) >= place[:, None])
    current = np.clip(
        bench.current_offset_A + (made.current - bench.current_offset_A) * np.where(after, factor[:, None], 1.0),
        -bench.full_scale_A, bench.full_scale_A,
    )  # fmt: skip
    table = fit_barrier(replace(made, current=current), NO_LOOP).table
    found = table["flags"].str.contains("jump|hump").to_numpy()
    case = f"{regime.case}, 10 % jumping by 1.5"
    used = table[table["used"].astype(bool)]
    bias = 100 * (used["barrier_eV"].median() / regime.barrier_eV - 1)
    low, high = (93.0, 97.0) if regime.white else (92, 97)
    return [
        Finding(
            case,
            "jumps found, or masked as a hump [%]",
            float(100 * found[jumping].mean()),
            95,
            100,
            int(jumping.sum()),
        ),
        Finding(
            case,
            "others called jumping or humped [%]",
            float(100 * found[~jumping].mean()),
            0,
            1,
            int((~jumping).sum()),
        ),
        Finding(
            case,
            "median bias of the barriers used [%]",
            bias,
            -0.5,
            0.5,
            len(used),
            100 * median_error(used["barrier_eV"]) / regime.barrier_eV,
        ),
        Finding(case, "coverage of the sweeps used [%]", inside(used, regime.barrier_eV), low, high, len(used)),
    ]


def drift_findings(sweeps: int, seed: np.random.Generator) -> list[Finding]:
    """Drift of 0.06 nm/s against a ramp of 1 nm/s: 6 % in each slope, 12 % in a barrier, nothing in the mean."""
    case = "drift 0.06 nm/s, ramp 1 nm/s"
    bench = Bench(white_A=1e-12, gap_noise=0.01, drift_m_per_s=6e-11)
    made = simulate_iz(
        barrier_eV=4.4,
        height=(0.0, 0.36e-9, 150),
        sweeps=sweeps,
        bench=bench,
        seed=seed,
        tip="heron",
        site="1",
        ramp=HeightRamp(duration_s=0.36, directions=("retract", "approach")),
    ).sweeps
    fit = fit_barrier(made, NO_LOOP)
    repeats = slopes_by_repeat(fit.table)
    pairs, flags = pair_directions(fit.table)
    slope = repeats["decay_per_nm"].to_numpy(float)
    truth = float(decay_from_barrier(4.4)) * 1e-9
    z = np.abs(slope - truth) / repeats["decay_se_per_nm"].to_numpy(float)
    alone = fit.table.loc[fit.table["direction"] == "retract", "barrier_eV"]
    drift = pairs["drift_pm_per_s"].to_numpy(float)
    covered = np.abs(drift - 60) < 1.96 * pairs["drift_se_pm_per_s"].to_numpy(float)
    told = 100 * len(set(flags["sweep"])) / len(made)
    none = simulate_iz(
        barrier_eV=4.4,
        height=(0.0, 0.36e-9, 150),
        sweeps=sweeps,
        bench=replace(bench, drift_m_per_s=0.0),
        seed=seed,
        tip="heron",
        site="1",
        ramp=HeightRamp(duration_s=0.36, directions=("retract", "approach")),
    ).sweeps
    false = 100 * len(set(pair_directions(fit_barrier(none, NO_LOOP).table)[1]["sweep"])) / len(none)
    bias = 100 * (float(barrier_from_decay(np.median(slope) * 1e9)) / 4.4 - 1)
    return [
        Finding(case, "median bias of one direction alone [%]", 100 * (alone.median() / 4.4 - 1), 10, 15, sweeps,
                100 * median_error(alone) / 4.4),
        Finding(case, "median bias of the mean of both directions [%]", bias, -0.5, 0.5, sweeps,
                200 * median_error(slope) / truth),
        Finding(case, "coverage of 95 % intervals of a repeat [%]", 100 * float((z < 1.96).mean()), 93, 97, sweeps),
        Finding(case, "median drift found [pm/s]", float(np.median(drift)), 58, 62, sweeps, median_error(drift)),
        Finding(case, "coverage of the drift's 95 % interval [%]", 100 * float(covered.mean()), 93, 97, sweeps),
        Finding(case, "pairs said to disagree [%]", told, 60, 100, sweeps),
        Finding("no drift", "pairs said to disagree [%]", false, 0, 1, sweeps),
    ]  # fmt: skip


def lag_findings(sweeps: int, seed: np.random.Generator) -> list[Finding]:
    """Amplifiers of 1 and 3 ms behind a ramp of 4 nm/s (2κvτ = 0.09, 0.26), in sessions of twelve pairs."""
    findings = []
    truth = float(decay_from_barrier(4.4)) * 1e-9
    for lag_ms in (1.0, 3.0, 0.0):
        sessions = max(4, sweeps // 48)
        slopes, lags, close = [], [], []
        for _ in range(sessions):
            bench = Bench(white_A=1e-12, gap_noise=0.01, lag_s=lag_ms * 1e-3)
            made = simulate_iz(
                barrier_eV=4.4,
                height=(0.0, 0.4e-9, 150),
                sweeps=12,
                bench=bench,
                seed=seed,
                tip="heron",
                site="1",
                ramp=HeightRamp(duration_s=0.1, directions=("retract", "approach")),
            ).sweeps
            table = fit_barrier(made, NO_LOOP).table
            repeats = slopes_by_repeat(table)
            slopes.append(repeats["decay_per_nm"].to_numpy(float))
            z = np.abs(slopes[-1].mean() - truth) / (slopes[-1].std(ddof=1) / np.sqrt(len(slopes[-1])))
            close.append(z < stats.t.ppf(0.975, len(slopes[-1]) - 1))
            lags.append(table["lag_ms"].iloc[0])
        lag = np.array(lags)
        case = f"lag {lag_ms:g} ms, ramp 4 nm/s"
        bias = 100 * (float(barrier_from_decay(np.median(np.concatenate(slopes)) * 1e9)) / 4.4 - 1)
        said = 100 * float(np.isfinite(lag).mean())
        low, high = (0, 1) if lag_ms == 0 else (95, 100)
        findings += [
            Finding(case, "sessions said to lag [%]", said, low, high, sessions),
            Finding(
                case,
                "median bias of the mean of both directions [%]",
                bias,
                -0.5,
                0.5,
                sessions * 12,
                200 * median_error(np.concatenate(slopes)) / truth,
            ),
            Finding(case, "coverage of 95 % intervals of a site [%]", 100 * float(np.mean(close)), 90, 100, sessions),
        ]
        if lag_ms:
            findings.append(
                Finding(
                    case,
                    "median lag found [ms]",
                    float(np.nanmedian(lag)),
                    0.94 * lag_ms,
                    1.06 * lag_ms,
                    sessions,
                    median_error(lag),
                )
            )
    return findings


def run(quick: bool = False, seed: int = 0) -> list[Finding]:
    """All regimes; quick takes a thirteenth of the sweeps and widens the bounds accordingly."""
    rng = np.random.default_rng(seed)
    sweeps = 300 if quick else 4000
    findings = [f for regime in REGIMES for f in regime_findings(regime, sweeps, rng)]
    findings += drift_findings(sweeps, rng) + lag_findings(sweeps, rng)
    if not quick:
        return findings
    shares = ("coverage", "jump", "flag", "disagree", "said to lag")
    return [
        f.widened() if any(s in f.measure for s in shares) else replace(f, low=f.low - 0.5, high=f.high + 0.5)
        for f in findings
    ]
