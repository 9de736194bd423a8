"""Start transients of I(V) sweeps: how many are found, and how often a settled bench is accused.

Groups of 6 to 10 sweeps: up and down on one axis, or one direction that starts at two biases. Of these, the ones that start
within the range of the others count as found or not: what those of the widest range show first, nothing else has measured. Sizes
of 5 to 20 times the noise of a sample at the start, of either sign; three time constants last a tenth to a third of the sweep. A
settled bench has white or 1/f noise, ripple, drift with offsets, displacement current and lag. Jumps planted in sweeps up and
down of a settled bench must not be taken for transients.
"""

from __future__ import annotations

from collections import Counter
from typing import Any

import numpy as np

from sts.plan import CheckPlan
from sts.simulate import Bench, BiasRamp, gapped, simulate_iv, superconductor, v_shaped
from sts.spectra import judge_iv
from sts.spectra.faults.settling import settled_and_judged
from sts.sweeps import SweepSet
from studies import Finding

TITLE = "I(V): transients at the start of a sweep"
LEAST, MOST = 5.0, 20.0  # sizes of a transient, in times the noise
DENSITIES: dict[str, dict[str, Any]] = {
    "ohmic": {"density": "flat", "bias": (-1.0, 1.0, 201)},
    "V-shaped": {"density": v_shaped(floor=0.3, per_eV=1.5), "bias": (-1.0, 1.0, 201)},
    "one-sided gap": {"density": gapped(valence_eV=-1.2, conduction_eV=0.3), "bias": (-1.5, 1.5, 201)},
    "superconducting": {"density": superconductor(gap_eV=1.35e-3), "bias": (-8e-3, 8e-3, 201), "temperature_K": 1.8},
}
COMMON = {"white_A": 2e-12, "setpoint_scatter": 0.05}
FOUND = 95.0  # [%] at least, of the transients
WRONG = 1.0  # [%] at most, of sweeps with a transient called jump, and of settled ones called settling
TAKEN = 2.0  # [%] at most, of jumps called settling
JUMPS = {"jump_factor": 1.5, "jump_share": 0.3}
BENCHES: dict[str, tuple[dict[str, float], float]] = {  # faults, and the noise at the start [A] for 1 nA there
    "white noise": ({}, 2e-12),
    "1/f noise": ({"gap_noise": 0.03, "gap_noise_slope": 1.0}, 3e-11),
    "ripple": ({"ripple_A": 9e-12}, 6.7e-12),
    "drift, offsets": ({"drift_m_per_s": 5e-12, "current_offset_A": 5e-12, "bias_offset_V": 1e-4}, 2e-12),
    "displacement, lag": ({"capacitance_F": 1e-12, "lag_s": 5e-4}, 2e-12),
}


def run(quick: bool = False, seed: int = 0) -> list[Finding]:
    """All benches and densities; `quick` takes a tenth of the groups, and widens the bounds."""
    groups = 2 if quick else 20
    found = [one for bench in BENCHES for one in _of_bench(bench, groups, seed)]
    found += [_of_jumps(bench, groups, seed) for bench in ("white noise", "1/f noise")]
    return [finding.widened() for finding in found] if quick else found


def _of_bench(bench: str, groups: int, seed: int) -> list[Finding]:
    faults, noise = BENCHES[bench]
    sums: Counter[str] = Counter()
    for density in DENSITIES:
        for trial in range(groups):
            rng = np.random.default_rng([seed, 41, trial])
            size = noise * np.exp(rng.uniform(np.log(LEAST), np.log(MOST))) * rng.choice([-1, 1])
            tau_s = 0.5 * np.exp(rng.uniform(np.log(0.1), np.log(1 / 3))) / 3  # a sweep takes 0.5 s
            for one in (0.0, size):
                settings = Bench(**(COMMON | faults), transient_A=one, transient_s=tau_s)
                sets = (_pairs, _two_starts)[trial % 2](DENSITIES[density], settings, rng)
                kind = ("pairs", "two starts")[trial % 2]
                _count(sums, kind, sets, bool(one))
    return [
        *(
            Finding(
                f"{bench}, {kind}",
                "transients of 5 to 20 times the noise found [%]",
                100 * sums[f"{kind} found"] / sums[kind],
                FOUND,
                100.0,
                sums[kind],
            )
            for kind in ("pairs", "two starts")
        ),
        Finding(
            bench,
            "settled sweeps called settling [%]",
            100 * sums["false"] / sums["settled"],
            0.0,
            WRONG,
            sums["settled"],
        ),
        Finding(
            bench, "sweeps with transients called jump [%]", 100 * sums["jump"] / sums["all"], 0.0, WRONG, sums["all"]
        ),
    ]


def _of_jumps(bench: str, groups: int, seed: int) -> Finding:
    """How many of the jumps planted in a settled bench are called settling."""
    planted = taken = 0
    for density in DENSITIES.values():
        for trial in range(groups):
            rng = np.random.default_rng([seed, 43, trial])
            settings = Bench(**(COMMON | BENCHES[bench][0] | JUMPS))
            made = simulate_iv(sweeps=int(rng.integers(3, 6)), bench=settings, seed=rng, **density)
            rows = settled_and_judged([made.sweeps], [judge_iv(made.sweeps)], CheckPlan())[1][0]
            planted += len(made.truth["jumps"])
            taken += len(set(made.truth["jumps"]) & set(rows.loc[rows["flag"] == "settling", "sweep"]))
    return Finding(f"{bench}, jumps", "jumps called settling [%]", 100 * taken / planted, 0.0, TAKEN, planted)


def _count(sums: Counter[str], kind: str, sets: list[SweepSet], planted: bool) -> None:
    """Judge sets and add what was found to the sums."""
    plan = CheckPlan()
    _, judged = settled_and_judged(sets, [judge_iv(part, plan) for part in sets], plan)
    flagged, jumps = ([int((rows["flag"] == flag).sum()) for rows in judged] for flag in ("settling", "jump"))
    counts = [len(part) for part in sets]
    if planted:
        sums.update({kind: counts[-1], f"{kind} found": flagged[-1], "jump": sum(jumps), "all": sum(counts)})
    else:
        sums.update({"settled": sum(counts), "false": sum(flagged)})


def _pairs(density: dict[str, Any], bench: Bench, rng: np.random.Generator) -> list[SweepSet]:
    """Three to five sweeps up and as many down."""
    return [simulate_iv(sweeps=int(rng.integers(3, 6)), bench=bench, seed=rng, **density).sweeps]


def _two_starts(density: dict[str, Any], bench: Bench, rng: np.random.Generator) -> list[SweepSet]:
    """Three to five sweeps up over the whole range and as many over its inner half, at one gap."""
    low, high, points = density["bias"]
    sets = []
    for share in (1.0, 0.35):
        arguments = density | {"bias": (share * low, share * high, points)}
        ramp = BiasRamp(directions=("up",), setpoint_bias_V=high, names=f"iv{share:.0%}")
        sets.append(simulate_iv(sweeps=int(rng.integers(3, 6)), bench=bench, ramp=ramp, seed=rng, **arguments).sweeps)
    return sets
