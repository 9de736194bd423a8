"""I(z) on a small bench in air: intervals of sweeps, sites and tips, the cost of an unknown zero, and two tips told apart.

Afternoons are drawn by `_afternoon` (its docstring says what is in them). Trials are afternoons, and sweeps of one afternoon share
its bench: the standard error of a share is that of afternoons, not of sweeps.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from _afternoon import Afternoon, afternoon
from scipy import stats

from sts.barrier import slopes_by_repeat
from sts.barrier.bench_offset import KnownOffset
from sts.barrier.fit import BarrierFit, fit_together
from sts.comparing.pairs import compare_pairs
from sts.comparing.sites_and_tips import BARRIER_PER_NM2, site_level, tip_level
from studies import Finding

TITLE = "I(z) in air: few decades, unknown zero of the current, humps, settling, ripple"
TELLING = 0.4  # by which the barriers of the two tips differ


def inside(table: pd.DataFrame, decay: np.ndarray) -> np.ndarray:
    """Whether the interval of each row (k,) holds the barrier of its true decay (k,) [1/nm]; rows without one are left out."""
    there = np.isfinite(table["barrier_low_eV"].to_numpy(float))
    barrier = BARRIER_PER_NM2 * decay**2
    held = (table["barrier_low_eV"] <= barrier) & (table["barrier_high_eV"] >= barrier)
    shares: np.ndarray = np.asarray(held)[there]
    return shares


def fitted(made: Afternoon, *, known: bool = False) -> BarrierFit:
    """The fit of an afternoon, with the zero of its bench unknown or known."""
    zero = [KnownOffset(float(made.offset_A.mean()), 1e-14, "the truth")] if known else []
    return fit_together([made.sweeps], known=zero)[0]


def coverage_findings(seeds: range) -> list[Finding]:
    """Coverage at each level, what is lost, and the error beside that of a bench whose zero is known."""
    held: dict[str, list[float]] = {"sweep": [], "site": [], "tip": []}
    errors: dict[bool, list[float]] = {False: [], True: []}
    used = sweeps = jumps = settled = settled_used = 0
    for seed in seeds:
        made = afternoon(seed)
        fit = fitted(made)
        table = fit.table
        chosen = table["used"].to_numpy(bool)
        held["sweep"].append(
            float(np.mean(inside(table[chosen], made.sweep_decay[chosen]))) if chosen.any() else np.nan
        )
        used, sweeps = used + int(chosen.sum()), sweeps + len(table)
        settled, settled_used = (
            settled + int((made.settling > 0).sum()),
            settled_used + int(chosen[made.settling > 0].sum()),
        )
        jumps += int((fit.flags["flag"] == "jump").sum())
        slopes = slopes_by_repeat(table)
        if not slopes.empty:
            sites = site_level(slopes)
            tips = tip_level(sites)
            true = np.array([made.site_decay[key] for key in zip(sites["tip"], sites["site"], strict=True)])
            held["site"] += [float(value) for value in inside(sites, true)]
            held["tip"] += [
                float(value) for value in inside(tips, np.array([made.tip_decay[tip] for tip in tips["tip"]]))
            ]
        for known in errors:
            own = (fitted(made, known=True) if known else fit).table
            errors[known] += list((own["decay_per_nm"].to_numpy(float) / made.sweep_decay - 1)[chosen])
    trials = len(seeds)
    case = f"{trials} afternoons, zero of the current unknown"
    findings = [
        Finding(
            case, f"coverage of 95 % intervals, {level} level [%]", 100 * float(np.nanmean(values)), 93.0, 97.0, trials
        )
        for level, values in held.items()
    ]
    median = {known: float(np.nanmedian(np.abs(values))) for known, values in errors.items()}
    findings += [
        Finding(case, "median error of a slope over that with a known zero", median[False] / median[True], 0.9, 1.3, trials),
        Finding(case, "sweeps used [%]", 100 * used / sweeps, 95.0, 100.0, sweeps),
        Finding(case, "sweeps used of those with samples at the set-point [%]", 100 * settled_used / max(settled, 1), 90.0, 100.0,
                settled),
        Finding(case, "sweeps called jumping, though none jumps [%]", 100 * jumps / sweeps, 0.0, 5.0, sweeps),
    ]  # fmt: skip
    return findings


def telling_findings(seeds: range) -> list[Finding]:
    """Two tips with four sites each: how often they are told apart, when they differ and when they do not.

    85 % was aimed at for 40 %, and is not reached. What keeps it lower is the scatter between sites (6 % of the decay, which is
    12 % of the barrier), not the fits: Welch's test on the true decays of the same sites, without noise and with the zero known,
    tells 88 % apart (the row of the limit), and a test that takes both tips to scatter alike 91 %. On the fitted decays
    the latter reaches 84 %; it is not used, since a cut tip need not scatter as an etched one does.
    """
    findings = []
    for difference, low, high in ((TELLING, 60.0, 100.0), (0.0, 0.0, 6.0)):
        told = limit = 0
        for seed in seeds:
            made = afternoon(seed, tip_factors=(1.0, (1 + difference) ** 0.5), sites=4)
            slopes = slopes_by_repeat(fitted(made).table)
            pairs = compare_pairs(tip_level(site_level(slopes)))
            told += int((pairs["verdict"] == "differ").any())
            true = [[np.log(d) for (tip, _), d in made.site_decay.items() if tip == name] for name in ("T1", "T2")]
            limit += int(stats.ttest_ind(*true, equal_var=False).pvalue < 0.05)
        case = f"two tips whose barriers differ by {100 * difference:.0f} %, four sites each"
        findings.append(Finding(case, "told apart [%]", 100 * told / len(seeds), low, high, len(seeds)))
        if difference:
            words = "limit: told apart by the true decays of the same sites [%]"
            findings.append(Finding(case, words, 100 * limit / len(seeds), 80.0, 95.0, len(seeds)))
    return findings


def run(quick: bool = False, seed: int = 0) -> list[Finding]:
    """All regimes; quick takes a tenth of the afternoons, and widens the bounds by three standard errors."""
    trials = 30 if quick else 300
    seeds = range(1000 * seed, 1000 * seed + trials)
    findings = coverage_findings(seeds) + telling_findings(seeds)
    return [finding.widened() for finding in findings] if quick else findings
