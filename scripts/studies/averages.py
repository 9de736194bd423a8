"""Which mean over sites a barrier is: coverage of both that are offered where slopes scatter log-normally, as in air.

Sites (and repeats at a site) have slopes that scatter by a factor; the truth is the barrier of the mean slope over all sites, or of
their geometric mean, which is the median site. Tips stand alone on their sample. All of it is invented.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from sts.comparing import site_level, tip_level
from sts.comparing.averages import GEOMETRIC, MEAN, barrier_of
from studies import Finding, median_error

TITLE = "Which mean over sites: intervals of the mean slope and of the typical site"
SLOPE, NOISE = 9.0, 0.01  # of the median site [1/nm]; of a repeat, relative


@dataclass(frozen=True)
class Scatter:
    """Standard deviations of the logarithm of the barrier (twice that of the slope)."""

    sites: int
    site: float
    repeat: float = 0.0
    mean: tuple[float, float] = (93.0, 97.0)  # coverage that the mean must have [%]: skewness lowers it

    @property
    def case(self) -> str:
        """In words."""
        repeats = f", repeats by {100 * self.repeat:g} %" if self.repeat else ""
        return f"barriers of {self.sites} sites scatter log-normally by {100 * self.site:g} %{repeats}"


CASES = (
    Scatter(3, 0.1), Scatter(6, 0.1), Scatter(3, 0.6, mean=(92.0, 97.0)), Scatter(4, 0.6, mean=(92.0, 97.0)),
    Scatter(6, 0.6, mean=(92.0, 97.0)), Scatter(12, 0.6, mean=(92.0, 97.0)), Scatter(4, 0.4, 0.6, mean=(92.0, 98.0)),
    Scatter(6, 0.0, 0.6, mean=(92.0, 99.0)), Scatter(6, 1.0, mean=(88.0, 97.0)),
)  # fmt: skip


def look(case: Scatter, trials: int, rng: np.random.Generator) -> list[Finding]:
    """Coverage and median bias of both means."""
    repeats = 3
    number, site, repeat = np.indices((trials, case.sites, repeats))
    logs = case.site / 2 * rng.normal(size=(trials, case.sites, 1)) + case.repeat / 2 * rng.normal(size=number.shape)
    slope = SLOPE * np.exp(logs) * (1 + NOISE * rng.normal(size=number.shape))
    table = pd.DataFrame(
        {"sample": number.ravel(), "tip": "T", "site": site.ravel(), "repeat": repeat.ravel(), "decay_per_nm": slope.ravel(),
         "decay_se_per_nm": NOISE * slope.ravel(), "dof": 100.0, "sweeps": 2}
    )  # fmt: skip
    variance = (case.site**2 + case.repeat**2) / 4
    truth = {MEAN: barrier_of(SLOPE * np.exp(variance / 2)), GEOMETRIC: barrier_of(SLOPE)}
    findings = []
    for average, true in truth.items():
        tips = tip_level(site_level(table, average=average), average=average)
        held = ((tips["barrier_low_eV"] <= true) & (true <= tips["barrier_high_eV"])).mean()
        bias = 100 * (float(tips["barrier_eV"].median()) / float(true) - 1)
        spread = 100 * median_error(tips["barrier_eV"]) / float(true)
        bounds = case.mean if average == MEAN else (93.0, 99.0 if case.repeat else 97.0)
        findings += [
            Finding(case.case, f"coverage of 95 % intervals, {average} [%]", 100 * float(held), *bounds, trials),
            Finding(case.case, f"median bias, {average} [%]", bias, trials=trials, error=spread),
        ]
    excess = 100 * (float(truth[MEAN]) / float(truth[GEOMETRIC]) - 1)
    return [*findings, Finding(case.case, "true mean above the true median [%]", excess, trials=trials, error=0.0)]


def run(quick: bool = False, seed: int = 0) -> list[Finding]:
    """All cases; quick takes a tenth of the tips, and widens the bounds of shares by three standard errors."""
    rng = np.random.default_rng([seed, 67])
    trials = 400 if quick else 4000
    findings = [found for case in CASES for found in look(case, trials, rng)]
    return [f.widened() if "coverage" in f.measure else f for f in findings] if quick else findings
