"""Do intervals of tips cover when tips scatter from day to day, and are equal tips called different?

Slopes are drawn directly: sites scatter within a day, days within a tip, each normal and known. With one day the truth is
the value of that day; with more it is the tip's.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from sts.comparing.pairs import compare_pairs
from sts.comparing.sites_and_tips import BARRIER_PER_NM2, site_level, tip_level
from sts.quantities import decay_from_barrier
from studies import Finding, any_differ, median_error

TITLE = "Tips over several days: coverage and false positives"

BARRIER = 4.5  # eV
SITE_SD, REPEAT_SD = 0.04, 0.02  # of the slope: half as much as of the barrier


@dataclass(frozen=True)
class Case:
    """Sessions of several tips on several days."""

    tips: int
    sites: tuple[int, ...]  # on each day
    day_sd: tuple[float, ...]  # of the barrier, for each tip
    alike: bool = False  # whether a day moves all tips alike
    low: float = 93.0
    high: float = 97.0

    @property
    def words(self) -> str:
        """For the table."""
        days = len(self.sites)
        scatter = " and ".join(f"{100 * sd:g}" for sd in dict.fromkeys(self.day_sd))
        sites = "/".join(map(str, dict.fromkeys(self.sites)))
        alike = ", all tips alike" if self.alike else ""
        return f"{_number(self.tips, 'tip')}, {_number(days, 'day')}, {sites} sites, days scatter {scatter} %{alike}"


def _number(count: int, unit: str) -> str:
    return f"{count} {unit}{'s' * (count > 1)}"


def cases() -> list[Case]:
    """1, 2, 3 and 5 days with a scatter of 0, 2 and 5 %; then what is taken together, and what differs."""
    found = [
        Case(tips, (5,) * days, (sd,) * tips) for tips in (1, 4) for days in (1, 2, 3, 5) for sd in (0.0, 0.02, 0.05)
    ]
    found += [Case(4, (5,) * days, (sd,) * 4, alike=True) for days in (2, 3) for sd in (0.02, 0.05)]
    found += [Case(4, (3, 3), (0.02,) * 4), Case(4, (2, 8), (0.02,) * 4, high=98.5), Case(1, (2, 8, 5), (0.02,))]
    # Two tips tell the scatter of two days hardly better than one; one that scatters more than those beside it is held less.
    found += [Case(2, (5, 5), (sd,) * 2, high=99.0) for sd in (0.0, 0.05)]
    found += [Case(4, (5, 5), (0.06, 0.02, 0.02, 0.02), low=87.0, high=100.0)]
    return found


def draw(case: Case, rng: np.random.Generator, trials: int) -> tuple[pd.DataFrame, np.ndarray]:
    """Two repeats at each site, and the true slope of each tip [1/nm], (trials × tips,): that of the day where there is one."""
    days = len(case.sites)
    sd = np.array(case.day_sd)[:, None] / 2
    day = sd * rng.normal(size=(trials, 1 if case.alike else case.tips, days)) * np.ones((trials, case.tips, days))
    site_day = np.repeat(np.arange(days), case.sites)
    site = day[:, :, site_day] + rng.normal(0, SITE_SD, (trials, case.tips, len(site_day)))
    value = site[..., None] + rng.normal(0, REPEAT_SD, (*site.shape, 2))
    trial, tip, place, repeat = (axis.ravel() for axis in np.indices(value.shape))
    slope = float(decay_from_barrier(BARRIER)) * 1e-9
    table = pd.DataFrame({
        "sample": trial.astype(str), "tip": tip.astype(str), "day": site_day[place].astype(str), "site": place.astype(str),
        "repeat": repeat.astype(float), "decay_per_nm": slope * (1 + value.ravel()), "decay_se_per_nm": slope * REPEAT_SD,
        "dof": 200.0, "sweeps": 2,
    })  # fmt: skip
    return table, slope * (1 + (day[..., 0].ravel() if days == 1 else np.zeros(trials * case.tips)))


def coverage(case: Case, rng: np.random.Generator, trials: int) -> tuple[list[Finding], pd.DataFrame]:
    """Coverage and the usual half width; and the tips."""
    table, slope = draw(case, rng, trials)
    tips = tip_level(site_level(table))
    truth = BARRIER_PER_NM2 * slope**2
    holds = ((tips["barrier_low_eV"] <= truth) & (truth <= tips["barrier_high_eV"])).to_numpy(float).reshape(trials, -1)
    half = (tips["barrier_high_eV"] - tips["barrier_low_eV"]) / 2 / BARRIER
    one = len(set(case.day_sd)) == 1
    share = 100 * float(holds.mean() if one else holds.mean(axis=0).min())
    words = f"coverage of 95 % intervals{'' if one else ', of the tip held least'} [%]"
    return [
        Finding(case.words, words, share, case.low, case.high, len(tips) if one else trials),
        Finding(
            case.words,
            "half width of the interval, median [%]",
            float(100 * half.median()),
            trials=len(tips),
            error=100 * median_error(half),
        ),
    ], tips


def measure(case: Case, rng: np.random.Generator, trials: int) -> list[Finding]:
    """Coverage, and how often equal tips are called different."""
    found, tips = coverage(case, rng, trials)
    if case.tips > 1 and len(case.sites) > 1:
        few = max(trials // 3, 100)
        pairs = compare_pairs(tips.iloc[: few * case.tips])
        found.append(Finding(case.words, "equal tips called different [%]", any_differ(pairs), 0.0, 7.0, few))
    return found


def run(quick: bool = False, seed: int = 4) -> list[Finding]:
    """All cases."""
    rng = np.random.default_rng(seed)
    return [
        finding
        for case in cases()
        for finding in measure(case, rng, (400 if quick else 2000) if case.tips == 1 else (100 if quick else 600))
    ]
