"""Change of a tip within an afternoon: false alarms, changes found, their place and size, sites whose repeats run away."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from sts.comparing.sites_and_tips import BARRIER_PER_NM2
from sts.comparing.tip_change import TipChanges, find_changes
from studies import Finding

TITLE = "Tips that changed within an afternoon: false alarms, changes found, their size and place"

CHANGE = float(np.log(3.5 / 4.4) / 2)  # of ln slope
PLACES = (2, 5, 10, 20)  # scatter of barriers between places [%]
LAYOUTS: dict[str, list[int]] = {
    "2 sites x 3": [0] * 3 + [1] * 3,
    "2 sites x 5": [0] * 5 + [1] * 5,
    "3 sites x 3": [0] * 3 + [1] * 3 + [2] * 3,
    "4 sites x 3": sorted([*range(4)] * 3),
    "4 sites x 4": sorted([*range(4)] * 4),
    "6 sites x 2": sorted([*range(6)] * 2),
    "10 sites x 1": [*range(10)],
    "10 sites x 3": sorted([*range(10)] * 3),
    "5 sites x 1, 5, 2, 1, 3": [0, 1, 1, 1, 1, 1, 2, 2, 3, 4, 4, 4],
    "4 sites x 2, visited twice": [0, 0, 1, 1, 2, 2, 3, 3] * 2,
}


@dataclass(frozen=True)
class Bench:
    """What scatters: barriers between places and repeats [%], noise, drift of the barrier over all repeats of a tip [%]."""

    places: float = 2.0
    repeats: float = 2.0
    noise: str = "white"  # "1/f", "outliers"
    drift: float = 0.0
    step: float = 0.0  # of ln slope
    at: int = 0  # repeat after which it comes
    run: tuple[int, int, float] = (0, 0, 0.0)  # first and last + 1 repeat, total rise of ln slope


def noise(rng: np.random.Generator, kind: str, n: int) -> np.ndarray:
    """Noise of n repeats of standard deviation 1; 1/f noise by its spectrum, from a record four times as long as 64 repeats."""
    if kind == "1/f":
        f = np.fft.rfftfreq(256)[1:]
        amplitude = (rng.normal(size=f.size) + 1j * rng.normal(size=f.size)) / np.sqrt(f)
        record = np.fft.irfft(np.r_[0, amplitude], 256)
        return np.asarray((record / np.sqrt((1 / f).sum() * 2 / 256**2 * 2))[:n])
    drawn = rng.normal(size=n)
    return np.where(rng.random(n) < 0.05, 5, 1) * drawn if kind == "outliers" else drawn


def session(rng: np.random.Generator, layout: Sequence[int], benches: Sequence[Bench], name: str = "") -> pd.DataFrame:
    """Repeats of one tip per bench, all with the same sites in the same order."""
    rows = []
    for number, bench in enumerate(benches):
        site = np.array(layout)
        n = len(site)
        at = np.arange(n)
        y = (
            rng.normal(size=site.max() + 1)[site] * bench.places / 200
            + noise(rng, bench.noise, n) * bench.repeats / 200
        )
        y += bench.drift / 200 * np.linspace(-0.5, 0.5, n) + bench.step * (at >= bench.at)
        first, end, rise = bench.run
        y[first:end] += np.linspace(-rise / 2, rise / 2, end - first)
        names = [f"{name}{number}_{k + 1}" for k in at]
        rows.append(pd.DataFrame({
            "sample": "gold", "tip": f"{name}{number}", "site": site.astype(str), "decay_per_nm": 21.5 * np.exp(y),
            "decay_se_per_nm": 0.1, "at": at, "first_sweep": names, "last_sweep": names, "repeat": at,
        }))  # fmt: skip
    return pd.concat(rows, ignore_index=True)


def _alarms(rng: np.random.Generator, layout: Sequence[int], bench: Bench, tips: int, together: int) -> tuple[int, int]:
    """Steps and runs told among so many tips that did not change, a session of `together` at a time."""
    found = [find_changes(session(rng, layout, [bench] * together)) for _ in range(tips // together)]
    return sum(len(one.changes) for one in found), sum(len(one.runs) for one in found)


def false_alarms(rng: np.random.Generator, trials: int) -> list[Finding]:
    """Tips that did not change, over layouts, scatters and noises, alone and three in a session."""
    rows = []
    for layout, sites in LAYOUTS.items():
        for places in PLACES:
            for bench in (
                Bench(places), Bench(places, noise="1/f"), Bench(places, drift=5.0), Bench(places, 6.0, "1/f", 5.0),
            ):  # fmt: skip
                for together in (1, 3):
                    steps, runs = _alarms(rng, sites, bench, trials, together)
                    kind = f"{bench.noise}, repeats {bench.repeats:g} %, drift {bench.drift:g} %"
                    rows.append((layout, f"places {places} %", kind, together, steps, runs))
    table = pd.DataFrame(rows, columns=["layout", "places", "noise", "together", "steps", "runs"])
    findings = []
    for column in ("layout", "places", "noise", "together"):
        for value, group in table.groupby(column, sort=False):
            case = f"no change, {value}" if column != "together" else f"no change, {value} tips a session"
            many = len(group) * (trials // 3 * 3)
            for what, words in (("steps", "false changes [% of tips]"), ("runs", "false runs [% of tips]")):
                findings.append(Finding(case, words, 100 * group[what].sum() / many, 0.0, 1.0, many))
    worst = 100 * table["steps"].max() / trials
    findings.append(Finding("no change, worst of all single cases", "false changes [% of tips]", worst, trials=trials))
    return findings


def other_alarms(rng: np.random.Generator, trials: int) -> list[Finding]:
    """What the model does not hold: one repeat in twenty far off, one tip whose sites scatter more than those of the others."""
    sites = LAYOUTS["4 sites x 3"]
    steps, runs = _alarms(rng, sites, Bench(noise="outliers"), trials, 1)
    case = "no change, one repeat in 20 five times as far off"
    found = [
        Finding(case, "false changes [% of tips]", 100 * steps / trials, 0, 2, trials),
        Finding(case, "false runs [% of tips]", 100 * runs / trials, 0, 2, trials),
    ]
    for places in (5, 20):
        told = 0
        for _ in range(trials):
            changes = find_changes(session(rng, sites, [Bench(places), *[Bench()] * 3])).changes
            told += int((changes["tip"] == "0").sum())
        case = f"no change, places {places} % where those of three other tips scatter by 2 %"
        found.append(
            Finding(case, "told 'changed, or its places differ' [% of tips]", 100 * told / trials, trials=trials)
        )
    return found


POWER: tuple[tuple[str, list[int], int, int, float], ...] = (  # words, sites, at, other tips, least found [%]
    ("1 site x 12, after 6", [0] * 12, 6, 0, 95),
    ("3 sites x 4, after 6 (within a site)", sorted([*range(3)] * 4), 6, 0, 95),
    ("4 sites x 4, after 7 (within a site)", LAYOUTS["4 sites x 4"], 7, 0, 95),
    ("4 sites x 3, after 5 (within a site)", LAYOUTS["4 sites x 3"], 5, 0, 95),
    ("3 sites x 2, visited twice, after 6", [0, 0, 1, 1, 2, 2] * 2, 6, 0, 95),
    ("4 sites x 3, after 6 (between sites), alone", LAYOUTS["4 sites x 3"], 6, 0, np.nan),
    ("4 sites x 3, after 6 (between sites), three other tips", LAYOUTS["4 sites x 3"], 6, 3, np.nan),
    ("6 sites x 2, after 6 (between sites), three other tips", LAYOUTS["6 sites x 2"], 6, 3, np.nan),
    ("2 sites x 6, after 6 (between sites), alone", [0] * 6 + [1] * 6, 6, 0, np.nan),
)


def power(rng: np.random.Generator, trials: int) -> list[Finding]:
    """Changes found, whether place and size are right, and how often intervals hold."""
    findings = []
    for words, sites, at, others, least in POWER:
        for places, repeats in ((2, 2), (5, 2), (2, 3)):
            bench = Bench(places, repeats, step=CHANGE, at=at)
            bound = least if (places, repeats) == (2, 2) else np.nan
            case = f"4.4 to 3.5 eV, {words}; places {places} %, repeats {repeats} %"
            changes, found = _changed(rng, sites, bench, others, trials)
            findings.append(Finding(case, "found [%]", 100 * found / trials, bound, trials=trials))
            if found >= 0.5 * trials:
                findings += _right(case, changes, at, CHANGE)
    for words, sites, at, others, _ in POWER:
        bench = Bench(5, 4, step=float(np.log(1 / 4.4) / 2), at=at)
        few = trials // 3
        _, found = _changed(rng, sites, bench, others, few)
        findings.append(
            Finding(f"4.4 to 1 eV, {words}; places 5 %, repeats 4 %", "found [%]", 100 * found / few, 95, trials=few)
        )  # fmt: skip
    return findings


def _changed(
    rng: np.random.Generator, sites: Sequence[int], bench: Bench, others: int, trials: int
) -> tuple[pd.DataFrame, int]:
    rest = [replace(bench, step=0.0)] * others
    found = [find_changes(session(rng, sites, [bench, *rest])).changes for _ in range(trials)]
    changes = pd.concat(found, ignore_index=True)
    changes = changes[changes["tip"] == "0"]
    return changes, len(changes)


def _right(case: str, changes: pd.DataFrame, at: int, change: float) -> list[Finding]:
    """Place and size of the changes that were found."""
    n = len(changes)
    first, last = (changes[name].str.split("_").str[1].astype(int) for name in ("earliest", "latest"))
    held = (changes["ratio_low"] <= np.exp(2 * change)) & (np.exp(2 * change) <= changes["ratio_high"])
    before = BARRIER_PER_NM2 * 21.5**2
    level = (changes["before_low_eV"] <= before) & (before <= changes["before_high_eV"])
    after = (changes["after_low_eV"] <= before * np.exp(2 * change)) & (
        before * np.exp(2 * change) <= changes["after_high_eV"]
    )
    return [
        Finding(case, "likely places hold the true one [%]", 100 * float(((first <= at) & (at < last)).mean()), 93, trials=n),
        Finding(case, "intervals of the ratio hold it [%]", 100 * float(held.mean()), 93, trials=n),
        Finding(case, "intervals before and after hold the level [%]", 50 * float(level.mean() + after.mean()), 93, trials=n),
    ]  # fmt: skip


def runs(rng: np.random.Generator, trials: int) -> list[Finding]:
    """A site whose repeats read 1.24, 1.56 and 1.91 eV, among sites that hold."""
    rise = float(np.log(1.91 / 1.24) / 2)
    findings = []
    for words, sites, run, repeats in (
        ("3 sites x 3", LAYOUTS["3 sites x 3"], (3, 6, rise), 3.0),
        ("4 sites x 4", LAYOUTS["4 sites x 4"], (8, 12, rise), 3.0),
        ("3 sites x 3", LAYOUTS["3 sites x 3"], (3, 6, rise), 6.0),
    ):
        bench = Bench(5, repeats, run=run)
        found: list[TipChanges] = [find_changes(session(rng, sites, [bench])) for _ in range(trials)]
        case = f"a site runs from 1.24 to 1.91 eV, {words}, repeats {repeats:g} %"
        told = sum(len(one.runs) for one in found)
        findings.append(
            Finding(case, "told [%]", 100 * told / trials, 90 if repeats == 3 else np.nan, trials=trials)
        )  # fmt: skip
        steps = sum(len(one.changes) for one in found)
        findings.append(Finding(case, "told as a change of the tip instead [%]", 100 * steps / trials, trials=trials))
    return findings


def run(quick: bool = False, seed: int = 0) -> list[Finding]:
    """All parts; a full run takes some five minutes."""
    trials = 6 if quick else 60
    found = []
    for number, part in enumerate((false_alarms, other_alarms, power, runs)):
        size = trials if part is false_alarms else 5 * trials // 3
        found += part(np.random.default_rng([seed, number]), size)
    return [one.widened() if quick else one for one in found]
