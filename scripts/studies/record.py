"""Does the chart of a tip's days raise the false alarms that it states, and how soon does it see a tip that changed?

Days are drawn directly, in ln of the barrier: scatter between days and the days' own uncertainties are normal and known; the
chart is told uncertainties as a day of four sites would find them (3 degrees of freedom), unequal from day to day.
"""

from __future__ import annotations

import numpy as np

from sts.comparing.control_chart import Stretches, chart_days, find_changes
from sts.comparing.day_scatter import borrowed
from studies import Finding

TITLE = "Record of tips: false alarms of the chart of days, and changes seen"

FALSE_ALARM = 0.01
OWN, UNEQUAL, SITES = (
    0.03,
    0.5,
    4,
)  # uncertainty of a day in ln of the barrier, scatter of its logarithm, sites of a day
Drawn = tuple[list[np.ndarray], list[np.ndarray]]


def draw_days(
    rng: np.random.Generator, tips: int, days: int, scatter: float, shift: tuple[int, float] = (0, 0.0)
) -> Drawn:
    """ln of the barrier of each tip and day, and the uncertainty that its sites say; the first tip (mean 0) shifts on a day."""
    own = OWN * np.exp(UNEQUAL * rng.normal(size=(tips, days)))
    values = np.arange(tips)[:, None] + scatter * rng.normal(size=own.shape) + own * rng.normal(size=own.shape)
    values[0, shift[0] :] += shift[1]
    told = own * np.sqrt(rng.chisquare(SITES - 1, own.shape) / (SITES - 1))
    return list(values), list(borrowed(told.ravel(), SITES - 1, SITES).reshape(own.shape))


def alarm_findings(rng: np.random.Generator, tip_days: int) -> list[Finding]:
    """Days of tips that did not change called changed, of all days that have limits."""
    findings = []
    for tips in (1, 4):
        for days in (3, 5, 10, 20):
            for scatter in (0.0, 0.02, 0.05):
                alarms = told = 0
                for _ in range(tip_days // (tips * days)):
                    drawn = draw_days(rng, tips, days, scatter)
                    alarms += sum(_outside(one).size for one in find_changes(*drawn, false_alarm=FALSE_ALARM))
                    told += tips * (days - (2 if tips == 1 else 1))
                case = f"{_tips(tips)}, {days} days, scatter between days {100 * scatter:g} %"
                findings.append(
                    Finding(case, "days outside their limits [%], stated 1", 100 * alarms / told, 0.0, 1.2, told)
                )
    return findings


def textbook_findings(rng: np.random.Generator, trials: int) -> list[Finding]:
    """What limits of three standard deviations from the days before would do, for comparison; no bounds."""
    findings = []
    for days in (3, 5, 10, 20):
        x = rng.normal(size=(trials, days + 1))
        before = x[:, :-1]
        mean, sd = before.mean(axis=1), before.std(axis=1, ddof=1)
        share = 100 * float((np.abs(x[:, -1] - mean) > 3 * sd).mean())
        case = f"for comparison: mean ± 3 standard deviations of {days} days before"
        findings.append(Finding(case, "next day outside [%], by name 0.27", share, np.nan, np.nan, trials))
    return findings


def shift_findings(rng: np.random.Generator, trials: int) -> list[Finding]:
    """A tip whose barrier falls by 20 % between two days: on which day is it seen?"""
    findings = []
    for tips in (1, 4):
        for before in (3, 5, 10, 20):
            first = third = 0
            for _ in range(trials):
                days = draw_days(rng, tips, before + 3, 0.02, (before, np.log(0.8)))
                found = _outside(find_changes(*days, false_alarm=FALSE_ALARM)[0])
                first += int(before in found)
                third += int(((found >= before) & (found < before + 3)).any())
            case = f"{_tips(tips)}, 20 % lower after {before} days, scatter between days 2 %"
            least = 80.0 if tips == 4 or before >= 10 else np.nan
            findings.append(Finding(case, "seen on the first day [%]", 100 * first / trials, least, np.nan, trials))
            findings.append(Finding(case, "seen by the third day [%]", 100 * third / trials, least, np.nan, trials))
    return findings


def level_findings(rng: np.random.Generator, trials: int) -> list[Finding]:
    """Coverage of the interval of a tip's mean over its days, the other tips telling the scatter, too."""
    findings = []
    for tips, days in ((1, 3), (1, 5), (4, 2), (4, 5)):
        for scatter in (0.0, 0.02, 0.05):
            inside = 0
            for _ in range(trials):
                chart = chart_days(*draw_days(rng, tips, days, scatter), false_alarm=FALSE_ALARM)[0]
                inside += int(chart.level[1] <= 0.0 <= chart.level[2])
            case = f"{_tips(tips)}, {days} days, scatter between days {100 * scatter:g} %"
            findings.append(
                Finding(case, "interval of the mean holds the truth [%]", 100 * inside / trials, 93.0, np.nan, trials)
            )
    return findings


def _outside(found: Stretches) -> np.ndarray:
    """The days outside their limits."""
    return np.flatnonzero(found.changed | found.alone)


def _tips(count: int) -> str:
    return "1 tip" if count == 1 else f"{count} tips"


def run(quick: bool = False, seed: int = 0) -> list[Finding]:
    """All regimes; quick takes a tenth of the trials, and widens the bounds by three of its standard errors."""
    rng = np.random.default_rng(seed)
    size = 1 if quick else 10
    findings = alarm_findings(rng, 2000 * size) + textbook_findings(rng, 2000 * size)
    findings += shift_findings(rng, 30 * size) + level_findings(rng, 40 * size)
    return [f.widened() for f in findings] if quick else findings
