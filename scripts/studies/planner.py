"""Does a plan for the next session keep its promise? A first session, its plan, the session as planned, and our own test of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from sts.comparing.paired import compare_states
from sts.comparing.pairs import compare_pairs
from sts.comparing.planning import Aim, plan_session, site_scatter
from sts.comparing.sites_and_tips import site_level, tip_level
from sts.quantities import decay_from_barrier
from studies import Finding, mean_error

TITLE = "Planning: 90 % power promised from the scatter of one session, and what the next sessions show"

SLOPE = float(decay_from_barrier(4.5)) * 1e-9


@dataclass(frozen=True)
class Case:
    """The first session, and what is true of ln φ."""

    tips: int
    sites: int
    repeats: int
    site_sd: float
    repeat_sd: float
    aim: Aim
    change_sd: float = 0.0  # of changes between revisited sites; 0: two tips are compared
    most: float = 93.0  # power [%]; a handful of sites is a coarse step, and pooled scatter of the two tips helps it

    @property
    def words(self) -> str:
        """For the table."""
        what = (
            f"changes at sites scatter {100 * self.change_sd:g} %"
            if self.change_sd
            else f"sites {100 * self.site_sd:g} %"
        )
        return (
            f"{self.tips} tips x {self.sites} sites x {self.repeats} repeats; {what}, repeats {100 * self.repeat_sd:g} %; "
            f"{self.aim.percent:g} % asked"
        )


CASES = (
    Case(3, 3, 3, 0.04, 0.02, Aim()),
    Case(2, 5, 3, 0.04, 0.02, Aim()),
    Case(4, 3, 2, 0.03, 0.05, Aim()),
    Case(4, 4, 4, 0.06, 0.02, Aim(percent=8)),
    Case(4, 6, 3, 0.03, 0.03, Aim(minutes_per_site=20)),
    Case(2, 3, 3, 0.03, 0.02, Aim()),
    Case(3, 4, 3, 0.04, 0.02, Aim(percent=4), change_sd=0.05),
    Case(2, 4, 2, 0.04, 0.03, Aim(percent=4), change_sd=0.04),
    Case(3, 4, 3, 0.02, 0.01, Aim(percent=6), most=98.0),
)


def _repeats(
    rng: np.random.Generator,
    case: Case,
    trial: np.ndarray,
    tip: np.ndarray,
    sites: np.ndarray,
    repeats: np.ndarray,
    step: float,
) -> pd.DataFrame:
    """Repeats of tips that are equal but for `step` (of ln φ) of tip 1, or of the second state where changes are compared.

    `trial`, `tip`, `sites` and `repeats` have one entry per tip of each trial.
    """
    of_tip = np.repeat(np.arange(len(trial)), sites)
    site = np.concatenate([np.arange(n) for n in sites])
    mean = rng.normal(0, case.site_sd, len(of_tip)) + (0.0 if case.change_sd else step * (tip[of_tip] == 1))
    parts = []
    for state in (0, 1) if case.change_sd else (0,):
        moved = mean + state * (step + rng.normal(0, case.change_sd, len(mean))) if case.change_sd else mean
        row = np.repeat(np.arange(len(of_tip)), repeats[of_tip])
        values = moved[row] + rng.normal(0, case.repeat_sd, len(row))
        parts.append(pd.DataFrame({
            "sample": trial[of_tip][row], "tip": tip[of_tip][row], "site": site[row], "state": f"state {state}",
            "repeat": 0.0, "decay_per_nm": SLOPE * np.exp(values / 2),
        }))  # fmt: skip
    return pd.concat(parts, ignore_index=True).assign(decay_se_per_nm=SLOPE * case.repeat_sd / 2, dof=200.0, sweeps=2)


def measure(case: Case, rng: np.random.Generator, trials: int) -> list[Finding]:
    """What the next sessions show, with the plan that each first session gave."""
    place = np.repeat(np.arange(trials), case.tips)
    first = _repeats(
        rng, case, place, np.tile(np.arange(case.tips), trials), np.full(len(place), case.sites),
        np.full(len(place), case.repeats), 0.0,
    )  # fmt: skip
    by = "state" if case.change_sd else ""
    plans = [plan_session(site_scatter(rows, by=by), case.aim) for _, rows in first.groupby("sample", sort=False)]
    able = np.array([plan.options["cheapest"].any() for plan in plans])
    best = [plan.options[plan.options["cheapest"]].iloc[0] for plan, ok in zip(plans, able, strict=True) if ok]
    sites, repeats = (np.array([int(row[c]) for row in best]) for c in ("sites", "repeats"))
    said = np.array([row["power_percent"] for row in best])
    each = 1 if case.change_sd else 2
    trial, tip = np.repeat(np.arange(len(best)), each), np.tile(np.arange(each), len(best))
    step = float(np.log1p(case.aim.percent / 100))
    following = _repeats(rng, case, trial, tip, np.repeat(sites, each), np.repeat(repeats, each), step)
    compared = compare_states(following, by).changes if by else compare_pairs(tip_level(site_level(following)))
    shown = float(100 * (compared["verdict"] == "differ").mean())
    promised = np.array([plan.promised for plan, ok in zip(plans, able, strict=True) if ok])
    words = f"{case.words} (median {np.median(sites):.0f} sites, {np.median(repeats):.0f} repeats)"
    return [
        Finding(words, "next sessions that show the difference [%]", shown, 87, case.most, len(best)),
        Finding(
            words, "power that was promised, mean [%]", float(said.mean()), 90, case.most, len(best), mean_error(said)
        ),
        Finding(words, "first sessions that gave a plan [%]", float(100 * able.mean()), 95, 100, trials),
        Finding(words, "of these, scatter well enough known [%]", float(100 * promised.mean()), 0, 100, len(best)),
    ]


def run(quick: bool = False, seed: int = 1) -> list[Finding]:
    """All cases."""
    rng = np.random.default_rng(seed)
    return [finding for case in CASES for finding in measure(case, rng, 200 if quick else 1000)]
