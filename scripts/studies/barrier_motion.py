"""What bends I(z) ramps: a drifting offset, hysteresis and creep of the piezo, a lag, the mains; coverage, bias and the right word.

Sessions as in `barrier_regimes`: a tip of three sites whose slopes scatter, three repeats each. Sizes are shares of the set-point
current (1 nA) and of the ramp; all of it is invented. A flag is right where it names what was planted; every other flag is false.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field, replace

import numpy as np

from sts.barrier import fit_barrier, slopes_by_repeat
from sts.comparing.sites_and_tips import site_level, tip_level
from sts.plan import BarrierPlan, Plan
from sts.quantities import decay_from_barrier
from sts.simulate import Bench
from studies import Finding, median_error
from studies.barrier_regimes import AIR, VACUUM, Regime, inside, session

TITLE = "I(z) ramps that something bends: drifting offset, hysteresis, creep, lag, mains"
TRUE_TOO = {"slow noise", "low barrier", "directions disagree"}  # flags that say what is so of some of these benches


@dataclass(frozen=True)
class Bent:
    """A bench, and the flags that are right for it."""

    case: str
    bench: Bench
    right: tuple[str, ...] = ()
    directions: tuple[str, ...] = ("retract", "approach")
    barrier_eV: float = 4.4
    range_m: float = 0.36e-9
    repeats: int = 3
    sites: int = 3
    coverage: tuple[float, float] = (93.0, 99.0)
    false: float = 1.0
    stated: float = 0.0  # hysteresis in the plan [%]
    bias: float = 0.3  # most of a slope [u]

    @property
    def regime(self) -> Regime:
        """The same as a regime."""
        return Regime(self.case, self.bench, self.barrier_eV, self.range_m, tips=1, sites=self.sites, repeats=self.repeats,
                      directions=self.directions)  # fmt: skip


def drifting(percent: float, bench: Bench = VACUUM) -> Bench:
    """A bench whose offset drifts by so much of the set-point current during a ramp."""
    return replace(bench, offset_drift_A=percent * 1e-11)


def mains(picoampere: float, periods: float) -> Bench:
    """A bench with so many periods of the mains in a ramp of 0.4 s."""
    return replace(VACUUM, ripple_A=picoampere * 1e-12, ripple_period_s=0.4 / periods)


SHAPE = ("common bend", "curved")
DRIFT, LAG, RETRACT, APPROACH = ("offset drift",), ("lag", "too much lag"), ("retract",), ("approach",)
NO_BOUND = (0.0, 100.0)
CASES = (
    Bent("offset drifts by 0.3 %", drifting(0.3), DRIFT),
    Bent("offset drifts by 1 %", drifting(1), DRIFT),
    Bent("offset drifts by 2 %", drifting(2), DRIFT),
    Bent("offset drifts by -2 %", drifting(-2), DRIFT),
    Bent("offset drifts by 5 %", drifting(5), DRIFT),
    Bent("offset drifts by 2 %, retract only", drifting(2), DRIFT, RETRACT, coverage=(93, 100)),
    Bent("offset drifts by 2 %, approach only", drifting(2), DRIFT, APPROACH, coverage=(93, 100)),
    Bent("offset drifts by 10 % in air", drifting(10, AIR), DRIFT, barrier_eV=0.7, range_m=0.8e-9),
    Bent("offset drifts by 2 % and lag of 5 ms", replace(drifting(2), lag_s=5e-3), (*DRIFT, *LAG)),
    # A lag of 5 ms and more: the word of it is right; single sweeps are as `sts.barrier.lag` leaves them.
    Bent("lag of 5 ms", replace(VACUUM, lag_s=5e-3), LAG, coverage=(93, 99)),
    Bent("lag of 60 ms", replace(VACUUM, lag_s=60e-3), LAG, coverage=NO_BOUND),
    Bent("gap drifts by 20 pm/s", replace(VACUUM, drift_m_per_s=2e-11), coverage=NO_BOUND),
    *(
        Bent(f"{name} of {100 * size:g} % of the ramp", replace(VACUUM, **{name: size}), (name,), coverage=(93, 100),
             bias=0.3 if name == "hysteresis" else 2.0)
        for name, size in (("hysteresis", 0.02), ("hysteresis", 0.05), ("hysteresis", -0.05), ("creep", 0.01), ("creep", 0.03),
                           ("creep", -0.03))
    ),  # creep moves both directions the same way, which the interval holds: see its bias
    Bent("hysteresis of 5 %, retract only, stated in the plan", replace(VACUUM, hysteresis=0.05), SHAPE, RETRACT,
         coverage=(93, 100), stated=5.0, bias=2.0),
    Bent("mains of 5 pA, 3 periods", mains(5, 3), coverage=(93, 100)),
    Bent("mains of 20 pA, 3 periods, one site", mains(20, 3), coverage=(93, 100), sites=1),
    Bent("mains of 20 pA, 4.3 periods, two repeats", mains(20, 4.3), coverage=(93, 100), sites=1, repeats=2),
    Bent("mains of 20 pA, 3 periods, one repeat", mains(20, 3), coverage=(93, 100), sites=1, repeats=1),
)  # fmt: skip


@dataclass
class Seen:
    """What the sessions of a case have shown."""

    sweeps: int = 0
    right: int = 0
    flags: Counter[str] = field(default_factory=Counter)
    z: list[np.ndarray] = field(default_factory=list)
    tip_bias: list[np.ndarray] = field(default_factory=list)  # [%]
    held: dict[str, list[np.ndarray]] = field(default_factory=lambda: {"sweep": [], "site": [], "tip": []})


def look(case: Bent, seed: int, seen: Seen) -> None:
    """Add one session to what was seen."""
    made, true, site = session(case.regime, seed)
    fit = fit_barrier(made, Plan(barrier=BarrierPlan(hysteresis_percent=case.stated)))
    used = fit.table["used"].to_numpy(bool)
    table, true = fit.table[used], true[used]
    seen.sweeps += len(fit.table)
    seen.flags.update(fit.flags["flag"])
    named = set(fit.flags.loc[fit.flags["flag"].isin(case.right), "sweep"])
    meant = fit.table["direction"] == "retract" if set(case.right) == set(LAG) else np.ones(len(fit.table), bool)
    seen.right += int((fit.table["sweep"].isin(named) & meant).sum() * len(fit.table) / meant.sum())
    seen.z.append((table["decay_per_nm"].to_numpy(float) - true) / table["decay_se_per_nm"].to_numpy(float))
    seen.held["sweep"].append(inside(table, true))
    level = site_level(slopes_by_repeat(fit.table))
    seen.held["site"].append(inside(level, site[level["site"].astype(int)]))
    tips = tip_level(level)
    seen.held["tip"].append(inside(tips, float(decay_from_barrier(case.barrier_eV)) * 1e-9))
    seen.tip_bias.append(100 * (tips["barrier_eV"].to_numpy(float) / case.barrier_eV - 1))


def case_findings(case: Bent, seeds: range) -> list[Finding]:
    """Coverage at each level, bias, false flags and right ones."""
    seen, trials = Seen(), len(seeds)
    for seed in seeds:
        look(case, seed, seen)
    findings = []
    for level, bounds in (("sweep", case.coverage), ("site", (93.0, 100.0)), ("tip", (90.0, 100.0))):
        held = np.concatenate(seen.held[level])
        if held.size:  # a tip of one site has no interval
            share = 100 * float(held.mean())
            findings.append(
                Finding(case.case, f"coverage of 95 % intervals, {level} level [%]", share, *bounds, held.size)
            )
    false = max((n for flag, n in seen.flags.items() if flag not in TRUE_TOO and flag not in case.right), default=0)
    z, of_tips = np.concatenate(seen.z), np.concatenate(seen.tip_bias)
    findings += [
        Finding(case.case, "median bias of a slope that is used [u]", float(np.median(z)), -case.bias, case.bias, trials,
                median_error(z)),
        Finding(case.case, "median bias of a tip's barrier [%]", float(np.median(of_tips)), trials=trials,
                error=median_error(of_tips)),
        Finding(case.case, "most frequent false flag [% of sweeps]", 100 * false / seen.sweeps, 0, case.false, seen.sweeps),
    ]  # fmt: skip
    if case.right:
        right = 100 * seen.right / seen.sweeps
        findings.append(Finding(case.case, "sweeps with the right flag [%]", right, 95, 100, seen.sweeps))
    return findings


def run(quick: bool = False, seed: int = 0) -> list[Finding]:
    """All cases; quick takes a tenth of the sessions."""
    trials = 10 if quick else 100
    seeds = range(1000 * seed + 300, 1000 * seed + 300 + trials)
    findings = [f for case in CASES for f in case_findings(case, seeds)]
    return [f.widened() if "%]" in f.measure or "% of" in f.measure else f for f in findings] if quick else findings
