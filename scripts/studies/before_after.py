"""Before and after: do intervals hold, is no change called one, and how much is told against the t test on true values?

ln φ of a site is that of its tip plus the site's own; a state adds a change that scatters between tips and between sites.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from sts.comparing.paired import ALL_TIPS, compare_states
from sts.quantities import decay_from_barrier
from studies import Finding, any_differ

TITLE = "Before and after: false alarms, coverage and power of paired comparisons"

SITE_SD = 0.03  # of ln φ between the sites of a tip


@dataclass(frozen=True)
class Case:
    """What was measured: sites of each tip in each state, and how much changes scatter (of ln φ)."""

    words: str
    sites: tuple[tuple[int, ...], ...]  # one entry per tip: sites in each state
    revisited: bool = True
    between_tips: float = 0.02
    between_sites: float = 0.02
    noise: float = 0.005  # of ln φ of one repeat
    repeats: tuple[int, ...] = (3,)  # of a site; sites of a tip take them in turn
    change: float = 0.05  # where power is told
    single: bool = False  # whether power is that of the tip's own row


CASES = (
    Case("1 tip, 3 sites revisited", ((3, 3),), between_tips=0.0, change=0.08, single=True),
    Case("1 tip, 6 sites revisited", ((6, 6),), between_tips=0.0, change=0.03, single=True),
    Case("1 tip, 6 and 6 sites, not revisited", ((6, 6),), revisited=False, between_tips=0.0, change=0.07, single=True),
    Case("1 tip, 4 and 8 sites, not revisited", ((4, 8),), revisited=False, between_tips=0.0, change=0.07, single=True),
    Case("3 tips, 3 sites revisited", ((3, 3),) * 3, change=0.07),
    Case("4 tips, 3 sites revisited", ((3, 3),) * 4),
    Case("6 tips, 3 sites revisited", ((3, 3),) * 6, change=0.035),
    Case("6 tips, 3 sites revisited, tips change alike", ((3, 3),) * 6, between_tips=0.0, change=0.015),
    Case("3 tips, 3 and 3 sites, not revisited", ((3, 3),) * 3, revisited=False, change=0.09),
    Case("4 tips, 3 and 3 sites, not revisited", ((3, 3),) * 4, revisited=False, change=0.06),
    Case("6 tips, 3 and 3 sites, not revisited", ((3, 3),) * 6, revisited=False, change=0.045),
    Case("4 tips, 2, 3, 3 and 8 sites revisited", ((2, 2), (3, 3), (3, 3), (8, 8))),
    Case("4 tips, 2 to 8 sites, not revisited", ((2, 8), (3, 3), (8, 3), (6, 4)), revisited=False, change=0.06),
    Case("4 tips, 4 sites revisited with 1, 1, 1 and 20 repeats", ((4, 4),) * 4, repeats=(1, 1, 1, 20), noise=0.01),
    Case("4 tips, 3 sites revisited, three states", ((3, 3, 3),) * 4),
    Case("6 tips, 3 sites revisited, three states", ((3, 3, 3),) * 6, change=0.035),
)  # fmt: skip


def draw(case: Case, rng: np.random.Generator, trials: int, change: float) -> pd.DataFrame:
    """Repeats of `trials` sessions, each a sample of its own, with the true ln φ of each site in `true`."""
    parts = []
    for tip, counts in enumerate(case.sites):
        most = max(counts)
        own = rng.normal(0, SITE_SD, (trials, most))
        for state, sites in enumerate(counts):
            places = own if case.revisited else rng.normal(0, SITE_SD, (trials, most))
            step = np.zeros((trials, most)) if state == 0 else (
                np.log1p(change) * state + rng.normal(0, case.between_tips, (trials, 1))
                + rng.normal(0, case.between_sites, (trials, most))
            )  # fmt: skip
            true = (places + step)[:, :sites]
            repeats = np.resize(case.repeats, sites)
            trial, site = (x.ravel() for x in np.meshgrid(np.arange(trials), np.arange(sites), indexing="ij"))
            parts.append(pd.DataFrame({
                "sample": trial.repeat(repeats[site]), "tip": f"tip {tip}", "state": f"state {state}",
                "site": (site if case.revisited else site + 100 * state).repeat(repeats[site]),
                "true": true.ravel().repeat(repeats[site]),
            }))  # fmt: skip
    rows = pd.concat(parts, ignore_index=True)
    slope = float(decay_from_barrier(4.5)) * 1e-9
    measured = slope * np.exp((rows["true"] + rng.normal(0, case.noise, len(rows))) / 2)
    return rows.assign(
        repeat=rows.groupby(["sample", "tip", "state", "site"]).cumcount().astype(float), decay_per_nm=measured,
        decay_se_per_nm=slope * case.noise / 2, dof=200.0, sweeps=2,
    )  # fmt: skip


def told_by_true_values(case: Case, rows: pd.DataFrame) -> float:
    """Share [%] of sessions in which the t test of practice on the true values is below 0.05: tips, or a tip's sites, paired."""
    units = ["sample", "state", "tip", *(["site"] if case.single else [])]
    rows = rows.drop_duplicates(["sample", "tip", "state", "site"])  # a site counts once, however many repeats it has
    table = rows.groupby(units, sort=False)["true"].mean().reset_index()
    before, after = (
        np.stack([g["true"].to_numpy() for _, g in table[table["state"] == f"state {k}"].groupby("sample")])
        for k in (0, 1)
    )
    if case.single and not case.revisited:
        p = stats.ttest_ind(after, before, axis=1, equal_var=False).pvalue
    else:
        p = stats.ttest_rel(after, before, axis=1).pvalue
    return float(100 * np.mean(p < 0.05))


def measure(case: Case, rng: np.random.Generator, trials: int) -> list[Finding]:
    """False alarms and coverage without a change, then what is told of one."""
    found = []
    tips, states = len(case.sites), len(case.sites[0])
    whole = compare_states(draw(case, rng, trials, 0.0), "state").changes
    for words, rows in (
        ("all tips together", whole[whole["tip"] == ALL_TIPS]),
        ("any single tip", whole[whole["tip"] != ALL_TIPS]),
    ):
        if rows.empty or (words == "any single tip" and tips > 1 and case.between_tips > 0):
            continue  # each tip has changed there
        holds = 100 * ((rows["ratio_low"] <= 1) & (rows["ratio_high"] >= 1)).groupby(rows["sample"]).all().mean()
        low, high = (3.0, 6.0) if states == 2 else (2.0, 6.0)
        found.append(
            Finding(case.words, f"no change called 'differ', {words} [%]", any_differ(rows), low, high, trials)
        )
        found.append(Finding(case.words, f"coverage of 95 % intervals, {words} [%]", float(holds), 93, 97.5, trials))
    if states == 2:
        rows = draw(case, rng, trials, case.change)
        changes = compare_states(rows, "state").changes
        told = changes[(changes["tip"] == ALL_TIPS) != case.single]
        ours, best = float(100 * (told["verdict"] == "differ").mean()), told_by_true_values(case, rows)
        what = f"a change of {100 * case.change:g} % told"
        found.append(Finding(case.words, f"{what} [%]", ours, best - 3, best + 100, trials))
        found.append(Finding(case.words, f"{what} by the t test on true values [%]", best, 0, 100, trials))
    return found


def run(quick: bool = False, seed: int = 1) -> list[Finding]:
    """All cases."""
    rng = np.random.default_rng(seed)
    return [finding for case in CASES for finding in measure(case, rng, 300 if quick else 2500)]
