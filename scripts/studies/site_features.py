"""Gaps and peaks of single sweeps: how often equal sites are called different, and how often sites that differ are seen.

Four sites of a junction with 1.15 eV between its bands at 77 K, up and down. Where sites differ the gap of two is wider by 8 %.
The whole way is gone (average, features, analysis of variance), at a fixed smoothing width and exponent to save time.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pandas as pd
from scipy import stats

from sts.comparing.differences import differences
from sts.flags import no_flags
from sts.plan import Plan
from sts.simulate import Bench, apply_bench, gapped, simulate_iv, two_peaks
from sts.spectra import average_spectrum
from sts.spectra.features import with_features
from sts.sweeps import SweepSet
from studies import Finding

TITLE = "Gap and peaks of each sweep: equal sites called different, different sites seen"
WIDER = 0.08
NOISES = {
    "white noise": Bench(white_A=1e-12, setpoint_scatter=0.03),
    "shot noise": Bench(white_A=0.5e-12, shot_bandwidth_Hz=1e4, setpoint_scatter=0.03),
    "1/f noise": Bench(white_A=1e-12, gap_noise=0.03, gap_noise_slope=1, setpoint_scatter=0.03),
}
PLAN = Plan.model_validate({"spectra": {"smoothing_width_V": 0.09, "beside": "none"}, "features": {"exponent": 1.0}})


def run(quick: bool = False, seed: int = 0) -> list[Finding]:
    """All figures; `quick` cuts the trials, and widens the bounds."""
    trials = 4 if quick else 300
    found = []
    for noise, bench in NOISES.items():
        for repeats in (2, 4):
            called = sum(_called(("gapped", 0.0), repeats, bench, (seed, i)) for i in range(trials))
            case = f"gap, four sites of {repeats} repeats, {noise}"
            found.append(_alarms(case, called, trials))
        few = max(trials // 3, 4)
        seen = sum(_called(("gapped", WIDER), 4, bench, (seed, i)) for i in range(few))
        case = f"gap wider by 8 % at two of four sites of 4 repeats, {noise}"
        found.append(Finding(case, "seen [%]", 100 * seen / few, 95, 100, few))
    bench = NOISES["white noise"]
    called = sum(_called(("gapped", 0.0), 1, bench, (seed, i)) for i in range(trials))
    found.append(_alarms("gap, four sites of one repeat, white noise", called, trials))
    called = sum(_called(("two_peaks", 0.0), 4, bench, (seed, i)) for i in range(trials))
    found.append(_alarms("peaks, four sites of 4 repeats, white noise", called, trials))
    return found


def _alarms(case: str, called: int, trials: int) -> Finding:
    """At most what chance makes of the stated 1 % in so many trials (the binomial's 99.9 %)."""
    most = 100 * float(stats.binom.ppf(0.999, trials, 0.01)) / trials
    return Finding(case, "equal sites called different [%]", 100 * called / trials, 0, most, trials)


def _called(what: tuple[str, float], repeats: int, bench: Bench, seed: tuple[int, int]) -> bool:
    """Whether anything is said to differ between the sites."""
    base = _sites(*what, repeats)
    current, _ = apply_bench(base.current, bench, np.random.default_rng(seed), time_step_s=2.5e-3)
    sweeps = replace(base, current=current)
    spectrum = average_spectrum(sweeps, PLAN, used=sweeps.names, flags=no_flags())
    table = with_features(spectrum, sweeps, PLAN).sweep_features
    return table is not None and bool(differences(table)["differ"].any())


@cache
def _sites(kind: str, wider: float, repeats: int) -> SweepSet:
    """Ideal sweeps of four sites; the last two with the wider gap."""
    parts = []
    for site in range(4):
        factor = 1 + wider * (site >= 2)
        states = gapped(valence_eV=-0.6 * factor, conduction_eV=0.55 * factor) if kind == "gapped" else two_peaks()
        made = simulate_iv(
            density=states, sweeps=repeats, bias=(-1.4, 1.4, 141), temperature_K=77.0, site=f"s{site + 1}"
        )
        table = made.sweeps.table.assign(sweep=[f"s{site + 1}_{name}" for name in made.sweeps.names])
        parts.append((made.sweeps.current, table))
    table = pd.concat([table for _, table in parts], ignore_index=True)
    return replace(made.sweeps, current=np.concatenate([current for current, _ in parts]), table=table)
