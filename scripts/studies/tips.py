"""Do intervals of sites and tips cover, and does the comparison of tips keep its level?

Slopes are drawn directly: site scatter and repeat noise are normal, and known. Three regimes go through simulated
currents and the fit as well; what the fit does with single sweeps is the matter of barrier.py.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from sts.barrier import fit_barrier, slopes_by_repeat
from sts.comparing.groups import compare_groups
from sts.comparing.pairs import compare_pairs
from sts.comparing.sites_and_tips import BARRIER_PER_NM2, site_level, tip_level
from sts.quantities import decay_from_barrier
from sts.simulate import Bench, HeightRamp, simulate_iz
from studies import Finding, any_differ, median_error

TITLE = "Sites, tips and pairs of tips: coverage and false positives"

NOISE = 0.3  # of one repeat's slope [1/nm]: 2.8 % of 4.5 eV


def draw_repeats(
    rng: np.random.Generator,
    tips: int,
    *,
    barrier_eV: float = 4.5,
    sites: int = 4,
    repeats: int = 3,
    site_sd: float = 0.02,
    excess: float = 1.0,
) -> tuple[pd.DataFrame, np.ndarray, float]:
    """Repeats of equal tips, the true slope of every site, and the true slope of the tips [1/nm].

    `site_sd` is the relative scatter of the slope between sites; `excess` how much more the repeats scatter than
    their stated uncertainty says.
    """
    slope = float(decay_from_barrier(barrier_eV)) * 1e-9
    site = slope * (1 + site_sd * rng.normal(size=tips * sites))
    rows = tips * sites * repeats
    table = pd.DataFrame(
        {
            "sample": "",
            "tip": np.repeat(np.arange(tips), sites * repeats),
            "site": np.repeat(np.arange(tips * sites), repeats),
            "repeat": np.tile(np.arange(repeats, dtype=float), tips * sites),
            "decay_per_nm": np.repeat(site, repeats) + excess * NOISE * rng.normal(size=rows),
            "decay_se_per_nm": NOISE,
            "dof": 200.0,
            "sweeps": 2,
        }
    )
    return table, site, slope


def coverage(table: pd.DataFrame, slope: np.ndarray | float) -> float:
    """Share [%] of the intervals that hold the barrier of the true slope."""
    truth = BARRIER_PER_NM2 * np.asarray(slope) ** 2
    return float(100 * ((table["barrier_low_eV"] <= truth) & (truth <= table["barrier_high_eV"])).mean())


def level_findings(rng: np.random.Generator, tips: int) -> list[Finding]:
    """Coverage at site and tip level."""
    findings = []
    for sites, repeats, site_sd, excess, barrier in (
        (4, 3, 0.02, 1.0, 4.5),
        (4, 3, 0.02, 2.0, 4.5),
        (4, 2, 0.05, 1.5, 4.5),
        (6, 5, 0.01, 1.0, 4.5),
        (6, 1, 0.03, 1.0, 4.5),
        (10, 3, 0.02, 1.2, 4.5),
        (4, 3, 0.05, 1.5, 0.7),
        (3, 3, 0.03, 1.5, 4.5),
    ):
        table, site, slope = draw_repeats(
            rng, tips, sites=sites, repeats=repeats, site_sd=site_sd, excess=excess, barrier_eV=barrier
        )
        table["sample"] = table["tip"]  # each by itself; what tips are worth to each other is the matter of pooling.py
        case = (
            f"{barrier:g} eV, {sites} sites scattering {200 * site_sd:g} %, {repeats} repeats, "
            f"{excess:g} times the stated noise"
        )
        level = site_level(table)
        if repeats > 1 or excess == 1:
            # Taking the larger of two is a little careful where repeats scatter exactly as stated.
            high = 97.5 if excess == 1 else 97
            share = coverage(level, site)
            findings.append(Finding(case, "coverage of 95 % intervals, site level [%]", share, 93, high, tips * sites))
        findings.append(
            Finding(case, "coverage of 95 % intervals, tip level [%]", coverage(tip_level(level), slope), 93, 97, tips)
        )
    return findings


def fit_findings(rng: np.random.Generator, tips: int) -> list[Finding]:
    """Coverage with slopes that come from simulated currents: noise of a bench, drift, both directions."""
    findings = []
    for case, barrier, current, bench in (
        ("vacuum, 1 pA noise, drift", 4.5, 1e-9, Bench(white_A=1e-12, drift_m_per_s=3e-11)),
        ("vacuum, 1/f gap noise 3 %, drift", 4.5, 1e-9,
         Bench(white_A=1e-12, gap_noise=0.03, gap_noise_slope=1.0, drift_m_per_s=3e-11)),
        ("ambient, 6 pA and 3 % gap noise", 0.7, 1e-9, Bench(white_A=6e-12, gap_noise=0.03)),
    ):  # fmt: skip
        sites, repeats, site_sd = 4, 3, 0.02
        slope = float(decay_from_barrier(barrier)) * 1e-9
        site = slope * (1 + site_sd * rng.normal(size=tips * sites))
        each = 2 * repeats
        simulated = simulate_iz(
            barrier_eV=np.repeat(BARRIER_PER_NM2 * site**2, repeats),
            height=(0.0, 0.4e-9 if barrier > 1 else 0.8e-9, 150),
            current_A=current,
            sweeps=tips * sites * repeats,
            bench=bench,
            seed=rng,
            tip=np.repeat(np.arange(tips), sites * each),
            site=np.repeat(np.arange(tips * sites), each),
            ramp=HeightRamp(directions=("retract", "approach")),
        ).sweeps
        level = site_level(slopes_by_repeat(fit_barrier(simulated).table))
        place = level["site"].astype(int).to_numpy()
        measure = "coverage of 95 % intervals through the fit, {} level [%]"
        share = coverage(level, site[place])
        findings.append(Finding(case, measure.format("site"), share, 93, 97.5, len(level)))
        tip = tip_level(level)
        findings.append(Finding(case, measure.format("tip"), coverage(tip, slope), 93, 97, len(tip)))
        bias = float(100 * (np.median(tip["barrier_eV"]) / (BARRIER_PER_NM2 * slope**2) - 1))
        findings.append(
            Finding(
                case,
                "median bias of a tip's barrier [%]",
                bias,
                -0.5,
                0.5,
                len(tip),
                100 * median_error(tip["barrier_eV"]) / (BARRIER_PER_NM2 * slope**2),
            )
        )
    return findings


def false_positives(rng: np.random.Generator, trials: int, sites: tuple[int, ...], spread: tuple[float, ...]) -> float:
    """Share [%] of comparisons of equal tips in which any pair is called different.

    Each trial is a sample of its own; `spread` is each tip's relative scatter of the slope between sites.
    """
    parts = []
    for number, (count, sd) in enumerate(zip(sites, spread, strict=True)):
        table, _, _ = draw_repeats(rng, trials, sites=count, site_sd=sd, excess=1.2)
        parts.append(table.assign(sample=table["tip"], tip=f"tip {number}"))
    return any_differ(compare_pairs(tip_level(site_level(pd.concat(parts, ignore_index=True)))))


def pair_findings(rng: np.random.Generator, trials: int) -> list[Finding]:
    """False positives of the comparison of equal tips."""
    findings = []
    for sites, spread, high in (
        ((4, 4), (0.02, 0.02), 6.0),
        ((3, 6), (0.02, 0.02), 6.0),
        ((3, 8), (0.02, 0.02), 6.0),
        ((4, 6), (0.03, 0.02), 6.0),
        ((4, 4, 4, 4), (0.02,) * 4, 6.0),
        ((3, 4, 5, 6), (0.02,) * 4, 6.0),
        ((4, 5, 6, 8), (0.01, 0.02, 0.03, 0.02), 6.0),
        ((4,) * 6, (0.02,) * 6, 6.5),
        # The hardest for Welch's degrees of freedom: the fewest sites scatter most.
        ((3, 4, 5, 6), (0.04, 0.03, 0.02, 0.01), 7.5),
    ):
        scatter = "equal scatter" if len(set(spread)) == 1 else f"scatter {', '.join(f'{200 * s:g}' for s in spread)} %"
        case = f"{len(sites)} equal tips, {', '.join(map(str, sites))} sites, {scatter}"
        measure = "any pair called different at 5 % [%]"
        findings.append(Finding(case, measure, false_positives(rng, trials, sites, spread), 3.0, high, trials))
    return findings


def group_findings(rng: np.random.Generator, trials: int) -> list[Finding]:
    """Equal groups of tips that differ from tip to tip: how often is a difference claimed?"""
    findings = []
    for sizes in ((4, 4), (3, 6)):
        names = ["cut"] * sizes[0] + ["etched"] * sizes[1]
        ratios, permutations, smallest = [], [], 1.0
        for _ in range(trials):
            barrier = 4.5 * np.exp(0.1 * rng.normal(size=len(names)))
            tips = pd.DataFrame({"sample": "", "tip": range(len(names)), "barrier_eV": barrier, "made_by": names})
            tests = compare_groups(tips, "made_by").tests
            ratios.append(tests["p"].iloc[0])
            permutations.append(tests["p"].iloc[-1])
            smallest = tests["smallest_attainable_p"].iloc[-1]
        case = f"two equal groups of {sizes[0]} and {sizes[1]} tips, tips scatter 10 %"
        share = 100 * float(np.mean(np.array(ratios) < 0.05))
        findings.append(Finding(case, "ratio called different at 5 % [%]", share, 3.0, 6.0, trials))
        # A permutation test has few levels: it may not exceed 5 %, and it reaches what the count of ways allows.
        share = 100 * float(np.mean(np.array(permutations) <= 0.05))
        findings.append(
            Finding(
                case,
                "permutation p of 5 % or less [%]",
                share,
                50 * smallest,
                5 + 300 * float(np.sqrt(0.05 * 0.95 / trials)),
                trials,
            )
        )
    return findings


def run(quick: bool = False, seed: int = 0) -> list[Finding]:
    """All regimes; quick takes a tenth of the trials, and widens the bounds by three of its standard errors."""
    rng = np.random.default_rng(seed)
    trials = 500 if quick else 5000
    findings = level_findings(rng, trials) + fit_findings(rng, trials // 4) + pair_findings(rng, trials)
    findings += group_findings(rng, trials)
    if not quick:
        return findings
    return [f.widened() for f in findings]
