"""The height scale from steps of known height, and tips whose interval holds it: how often the truth is held.

Steps are drawn with a scale of their day, scatter between places and between repeats; the session has a scale of its own day. The
tips of a session have sites with scatter and a barrier that is read on that scale. All of it is invented.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from sts.comparing import site_level, tip_level
from sts.comparing.calibration import STEP_HEIGHTS, Calibration
from sts.comparing.scales import scale_parts, with_total_interval
from sts.comparing.step_heights import scale_from_steps
from sts.quantities import decay_from_barrier
from studies import Finding, median_error

TITLE = "The height scale from steps, and the intervals of tips that hold it"
TRUE, KNOWN_NM = 1.04, STEP_HEIGHTS["au111"].height_nm
BARRIER_EV, SITE_SD, SITES = 4.4, 0.02, 4
HYSTERESIS = 0.012  # a step reads higher by this share upwards than downwards


@dataclass(frozen=True)
class Steps:
    """How steps were measured; scatter as a share of the height."""

    days: int
    places: int = 3
    repeats: int = 2
    day_sd: float = 0.01
    place_sd: float = 0.015
    repeat_sd: float = 0.01
    ways: tuple[str, ...] = ("up", "down")
    coverage: tuple[float, float] = (93.0, 97.0)

    @property
    def case(self) -> str:
        """In words."""
        if self.places * self.days == 1:
            return f"one place, {self.repeats} repeats, day and place without scatter"
        days = (
            "1 day, without scatter of days"
            if self.days == 1
            else f"{self.days} days that scatter by {100 * self.day_sd:g} %"
        )
        repeats = f"{self.repeats * len(self.ways)} repeats by {100 * self.repeat_sd:g} %"
        return f"{days}, {self.places} places by {100 * self.place_sd:g} %, {repeats}"


WIDE = (93.0, 99.9)  # where days scatter less than places the session's day is still counted as one more: a little wide
CASES = (
    Steps(3, day_sd=0.02, place_sd=0.005),
    Steps(3, coverage=(93.0, 98.5)),
    Steps(5, day_sd=0.02, places=2, repeats=1),
    Steps(8, day_sd=0.02, places=2, repeats=1),
    Steps(2, day_sd=0.02, coverage=WIDE),
    Steps(3, day_sd=0.0, coverage=WIDE),
    Steps(4, day_sd=0.005, coverage=WIDE),
    Steps(1, day_sd=0.0, places=5, repeats=1),
    Steps(1, day_sd=0.0, places=3, repeat_sd=0.02, place_sd=0.01, coverage=(93.0, 98.0)),
    Steps(1, day_sd=0.0, place_sd=0.0, places=1, repeats=6, ways=("up",)),
)


def look(case: Steps, trials: int, rng: np.random.Generator) -> list[Finding]:
    """Coverage of the factor and of the barrier of a tip, and the bias of the factor."""
    scales, true = [], TRUE * (1 - case.day_sd * rng.normal(size=trials))
    for _ in range(trials):
        scales.append(scale_from_steps(_measured(case, rng), "au111"))
    ends = np.array([scale.interval() for scale in scales])
    factor = np.array([scale.calibration.factor for scale in scales])
    held = (ends[:, 0] <= true) & (true <= ends[:, 1])
    tips = pd.concat([_tips(true[rows] / factor[rows], [scales[row].calibration for row in rows], rng)
                      for rows in np.array_split(np.arange(trials), -(-trials // 100))])  # fmt: skip
    low, high = (tips[name].to_numpy(float) for name in ("total_low_eV", "total_high_eV"))
    tip, error, widths = (low <= BARRIER_EV) & (high >= BARRIER_EV), factor / TRUE - 1, (high - low) / 2
    wide, bias = case.coverage[1] > 97, 6 / np.sqrt(trials)
    return [
        Finding(case.case, "coverage of 95 % intervals, factor of the session [%]", 100 * float(np.mean(held)),
                *case.coverage, trials),
        Finding(case.case, "coverage of 95 % intervals, tip with its scale [%]", 100 * float(np.mean(tip)),
                93.0, 99.9 if wide else 98.5, trials),
        Finding(case.case, "median bias of the factor [%]", 100 * float(np.median(error)), -bias, bias, trials,
                100 * median_error(error)),
        Finding(case.case, "median half interval of a tip with its scale [% of the barrier]",
                100 * float(np.median(widths)) / BARRIER_EV, trials=trials, error=100 * median_error(widths) / BARRIER_EV),
    ]  # fmt: skip


def _measured(case: Steps, rng: np.random.Generator) -> pd.DataFrame:
    shape = (case.days, case.places, case.repeats, len(case.ways))
    day, place, _, way = np.indices(shape)
    relative = (
        1 + case.day_sd * rng.normal(size=(case.days, 1, 1, 1)) + case.place_sd * rng.normal(size=(case.days, case.places, 1, 1))
        + case.repeat_sd * rng.normal(size=shape) + HYSTERESIS * (0.5 - np.arange(len(case.ways))) * (len(case.ways) - 1)
    )  # fmt: skip
    return pd.DataFrame(
        {"day": day.ravel().astype(str), "place": place.ravel().astype(str), "direction": np.array(case.ways)[way.ravel()],
         "measured_nm": (KNOWN_NM / TRUE * relative).ravel()}
    )  # fmt: skip


def _tips(stretch: np.ndarray, scales: list[Calibration], rng: np.random.Generator) -> pd.DataFrame:
    """One tip of several sites per scale, whose heights are too short by this factor after the calibration."""
    slope = float(decay_from_barrier(BARRIER_EV)) * 1e-9 * stretch[:, None, None]
    site = slope * (1 + SITE_SD * rng.normal(size=(len(stretch), SITES, 1)))
    number, place, repeat = np.indices((len(stretch), SITES, 3))
    noise = np.broadcast_to(0.005 * slope, number.shape)
    repeats = pd.DataFrame(
        {"sample": [f"S{one}" for one in number.ravel()], "tip": "T", "site": place.ravel(), "repeat": repeat.ravel(),
         "decay_per_nm": (site + noise * rng.normal(size=number.shape)).ravel(), "decay_se_per_nm": noise.ravel(), "dof": 100.0,
         "sweeps": 2}
    )  # fmt: skip
    sites = site_level(repeats)
    of_site = sites["sample"].str[1:].to_numpy(int)
    parts = scale_parts(sites, of_site, np.array([scale.relative_se for scale in scales]))
    return with_total_interval(tip_level(sites), parts, scales)


def run(quick: bool = False, seed: int = 0) -> list[Finding]:
    """All cases; quick takes a tenth of the trials, and widens the bounds by three of its standard errors."""
    rng = np.random.default_rng([seed, 61])
    trials = 100 if quick else 1000
    findings = [found for case in CASES for found in look(case, trials, rng)]
    return [f.widened() if "coverage" in f.measure else f for f in findings] if quick else findings
