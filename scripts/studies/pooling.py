"""Scatter between sites pooled over the tips of a sample: coverage, width, false alarms and power, against each tip by itself."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pandas as pd

from sts.comparing.pairs import compare_pairs
from sts.comparing.sites_and_tips import BARRIER_PER_NM2, tip_level
from studies import Finding, any_differ, median_error

TITLE = "Tips with few sites: what the scatter of the other tips is worth"

SLOPE, SCATTER = 21.2, 0.05  # of the tips' slopes [1/nm], and between sites, relative
LAYOUTS = ((3, 3), (4, 4), (3, 3, 3), (3, 3, 3, 3), (4, 4, 4, 4), (2, 3, 4, 8))
KINDS = ("alike", "scatter by 1.4", "scatter by 2", "the first by 2", "the first by 3", "the first by 1/3")
APART = 2.5  # true difference of the first tip in standard deviations between sites, where power is told


def scatters(rng: np.random.Generator, kind: str, trials: int, tips: int) -> np.ndarray:
    """True scatter between the sites of each tip, relative; shape (trials, tips)."""
    if kind.startswith("scatter"):
        return np.asarray(SCATTER * np.exp(np.log(float(kind.split()[-1])) * rng.normal(size=(trials, tips))))
    sd = np.full((trials, tips), SCATTER)
    if kind.startswith("the first"):
        sd[:, 0] *= float(Fraction(kind.split()[-1]))
    return sd


def sites_of(rng: np.random.Generator, sd: np.ndarray, layout: tuple[int, ...], shift: float = 0.0) -> pd.DataFrame:
    """A table of sites, one sample per trial, as `site_level` makes it; their own noise is small."""
    trials = len(sd)
    tip = np.repeat(np.arange(len(layout)), layout)
    relative = sd[:, tip] * rng.normal(size=(trials, tip.size)) + np.where(tip == 0, shift, 0.0)
    n = relative.size
    return pd.DataFrame({
        "sample": np.repeat(np.arange(trials), tip.size), "tip": np.tile(tip, trials), "day": "",
        "site": np.tile(np.arange(tip.size), trials), "sweeps": 2, "repeats": 1, "decay_per_nm": SLOPE * (1 + relative.ravel()),
        "decay_se_per_nm": np.full(n, 1e-3 * SLOPE), "decay_common_per_nm": 0.0, "dof": 200.0,
    })  # fmt: skip


def run(quick: bool = False, seed: int = 0) -> list[Finding]:
    """All layouts and kinds of unlike scatter."""
    rng = np.random.default_rng(seed)
    trials = 60 if quick else 1500
    findings = []
    for layout in LAYOUTS:
        for kind in KINDS:
            sd = scatters(rng, kind, trials, len(layout))
            sites = sites_of(rng, sd, layout)
            tips = tip_level(sites)
            truth = BARRIER_PER_NM2 * SLOPE**2
            holds = (
                ((tips["barrier_low_eV"] <= truth) & (truth <= tips["barrier_high_eV"])).to_numpy().reshape(trials, -1)
            )
            half = 50 * ((tips["barrier_high_eV"] - tips["barrier_low_eV"]) / truth).to_numpy()
            case = f"tips with {', '.join(map(str, layout))} sites, {kind}"
            alike = kind in ("alike", "scatter by 1.4")
            findings += [
                Finding(case, "coverage of 95 % intervals, all tips [%]", 100 * holds.mean(), 93, 97.5, holds.size),
                Finding(
                    case,
                    "the same, tip that is covered least [%]",
                    100 * holds.mean(axis=0).min(),
                    93 if alike else 80,
                    100,
                    trials,
                ),
                Finding(case, "half width, middle [%]", float(np.median(half)), 0, 200, holds.size, median_error(half)),
            ]
            called = any_differ(compare_pairs(tips))
            findings.append(
                Finding(case, "equal tips: some pair called different [%]", called, 0, 6.5 if alike else 12, trials)
            )
            if kind == "alike":
                moved = compare_pairs(tip_level(sites_of(rng, sd, layout, APART * SCATTER)))
                first = moved[(moved["tip_a"] == 0) & (moved["tip_b"] == 1)]
                findings.append(
                    Finding(
                        case,
                        "a tip moved by 2.5 scatters told from one other [%]",
                        100 * (first["verdict"] == "differ").mean(),
                        0,
                        100,
                        trials,
                    )
                )
    return findings
