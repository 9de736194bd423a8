"""Bends that all I(z) sweeps of a tip share: how many tips they are found in, and how often a straight junction is accused.

Tips of three sites with scattered slopes, three repeats in two directions each. Bends: the image force at small gap (the local
barrier of the classical image between planes), a barrier that falls by 15 % near contact, a slope that is 0.75 or 0.9 of the rest
below 0.15 nm, an amplifier that loses 3 % at the top, a second range whose gain is 3 % off. Straight junctions have noise of any
colour or ripple of the mains, and few sweeps or many. All of it is invented.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import pandas as pd

from sts.barrier import fit_barrier, slopes_by_repeat
from sts.barrier.fit import BarrierFit
from sts.comparing import site_level, tip_level
from sts.comparing.shape import with_shape
from sts.curves.planar_barrier import image_force_barrier
from sts.quantities import decay_from_barrier
from sts.simulate import Bench, HeightRamp, simulate_iz
from studies import NO_LOOP, Finding, median_error

TITLE = "I(z): bends that all sweeps of a tip share"
BARRIER_EV, SITE_SD, RANGE_M = 4.4, 0.02, 0.36e-9
TOGETHER = 25  # tips in one fit
Curve = Callable[[np.ndarray], np.ndarray]


@dataclass(frozen=True)
class Case:
    """A bench, what bends, and how many sweeps a tip has."""

    name: str
    bench: Bench
    bend: Curve | None = None
    sites: int = 3
    repeats: int = 3
    directions: tuple[str, ...] = ("retract", "approach")
    barrier_eV: float = BARRIER_EV
    range_m: float = RANGE_M
    shape: str = ""  # that must be named, where there is but one right word
    percent: tuple[float, float] = (0.5, 12)  # bounds of its size

    @property
    def truth_eV(self) -> float:
        """The barrier where it is straight; of an image force, which bends everywhere, that of the far half of the ramp."""
        if self.bend is None or not self.name.startswith("image"):
            return self.barrier_eV
        far = np.linspace(self.range_m / 2, self.range_m, 50)
        decay = float(decay_from_barrier(self.barrier_eV))
        return float(self.barrier_eV * ((decay - np.polyfit(far, self.bend(far), 1)[0]) / decay) ** 2)


def two_slopes(ratio: float, below_m: float = 0.15e-9) -> Curve:
    """What a slope that is `ratio` of the rest below a height adds to ln I."""
    decay = float(decay_from_barrier(BARRIER_EV))
    return lambda z: (1 - ratio) * decay * np.minimum(z, below_m)


def falling(share: float = 0.15, length_m: float = 0.08e-9) -> Curve:
    """A barrier that is lower by this share at height 0, and less so with height, exponentially."""
    return _local(lambda z: 1 - share * np.exp(-z / length_m))


@cache
def image_force(gap_nm: float) -> Curve:
    """The local barrier of the classical image between planes, this far apart at height 0."""
    heights = np.linspace(-0.05, 0.45, 60)
    ratio = np.array([image_force_barrier(BARRIER_EV, gap_nm + height) / BARRIER_EV for height in heights])
    return _local(lambda z: np.interp(z * 1e9, heights, ratio))


def _local(share: Curve) -> Curve:
    """What a barrier that is `share` of the stated one at each height adds to ln I."""
    grid = np.linspace(-0.05e-9, 0.45e-9, 2001)
    decay = float(decay_from_barrier(BARRIER_EV))
    missing = decay * (1 - np.sqrt(share(grid)))
    total = np.concatenate([[0.0], np.cumsum((missing[1:] + missing[:-1]) / 2 * np.diff(grid))])
    total -= np.interp(0.0, grid, total)
    return lambda z: np.interp(z, grid, total)


VACUUM = Bench(white_A=1e-12, gap_noise=0.01, setpoint_scatter=0.03)
PINK, STEEP = (replace(VACUUM, gap_noise=0.02, gap_noise_slope=slope) for slope in (1.0, 1.5))
AIR = Bench(white_A=6e-12, gap_noise=0.03, setpoint_scatter=0.05)
BENT = (
    Case("image force, gap 0.6 nm", VACUUM, image_force(0.6)),
    Case("image force, gap 0.7 nm", VACUUM, image_force(0.7)),
    Case("barrier falls by 15 % near contact", VACUUM, falling()),
    Case("slope × 0.75 below 0.15 nm", VACUUM, two_slopes(0.75), shape="falls with two slopes", percent=(70, 95)),
    Case("slope × 0.9 below 0.15 nm", VACUUM, two_slopes(0.9), shape="falls with two slopes", percent=(15, 28)),
    Case(
        "slope × 0.75 below 0.15 nm, 1/f noise", PINK, two_slopes(0.75), shape="falls with two slopes", percent=(70, 95)
    ),
    Case("gain 3 % low at the top", replace(VACUUM, gain_loss=0.03)),
    Case(
        "second range, gain 3 % off",
        replace(VACUUM, second_range_A=1e-10, second_range_gain=1.03),
        shape="steps as between two ranges",
    ),
)
STRAIGHT = (
    Case("white noise", VACUUM),
    Case("1/f noise", PINK),
    Case("1/f^1.5 noise", STEEP),
    Case("mains", replace(VACUUM, ripple_A=5e-12)),
    Case("filtered electronics", replace(VACUUM, filter_s=3e-3)),
    Case("in air", AIR, barrier_eV=0.7, range_m=0.8e-9),
    Case("1/f noise, 4 retract sweeps", PINK, sites=1, repeats=4, directions=("retract",)),
    Case("1/f noise, 8 retract sweeps", PINK, sites=2, repeats=4, directions=("retract",)),
    Case("white noise, 60 sweeps", VACUUM, sites=6, repeats=5),
    Case("lag and drift", replace(VACUUM, lag_s=1e-3, drift_m_per_s=5e-12)),
    Case("offsets that scatter, coarse converter", replace(VACUUM, offset_scatter_A=2e-12, converter_step_A=5e-12)),
    Case("jumps in a third of the sweeps", replace(VACUUM, jump_factor=1.5, jump_share=0.3)),
)


@dataclass
class Seen:
    """Of the tips of one case."""

    tips: int
    found: int
    named_noise: int  # sweeps called slow noise
    sweeps: int
    percent: pd.Series  # size of the bend of each tip
    straight_nm: pd.Series  # height from which on it is straight
    held: float  # share of tips whose interval holds the straight barrier [%]
    without: float  # the same if the interval did not hold the bend
    shapes: list[str]


def look(case: Case, tips: int, seed: int) -> Seen:
    """Tips of one bench, `TOGETHER` of them in one fit."""
    rng = np.random.default_rng([seed, 53, sum(case.name.encode())])
    fits = [_session(case, min(TOGETHER, tips - first), rng) for first in range(0, tips, TOGETHER)]
    means = [tip_level(site_level(slopes_by_repeat(fit.table))) for fit in fits] if case in BENT else []
    held, without = (
        100 * float(np.mean(np.concatenate([_inside(one, case.truth_eV) for one in tables]))) if tables else np.nan
        for tables in ([with_shape(one, fit.bends) for one, fit in zip(means, fits, strict=False)], means)
    )
    bends = pd.concat([fit.bends.assign(fit=number) for number, fit in enumerate(fits)])
    each = bends.groupby(["fit", "tip"])
    noisy = sum(int((fit.flags["flag"] == "slow noise").sum()) for fit in fits)
    return Seen(
        tips, each.ngroups, noisy, sum(len(fit.table) for fit in fits), each["bound_percent"].max(),
        bends["straight_from_nm"], held, without, list(bends["shape"]),
    )  # fmt: skip


def _inside(tips: pd.DataFrame, barrier_eV: float) -> np.ndarray:
    return ((tips["barrier_low_eV"] <= barrier_eV) & (barrier_eV <= tips["barrier_high_eV"])).to_numpy(bool)


def _session(case: Case, tips: int, rng: np.random.Generator) -> BarrierFit:
    each = case.repeats * len(case.directions)
    sites = tips * case.sites
    made = simulate_iz(
        barrier_eV=np.repeat(case.barrier_eV * np.exp(2 * SITE_SD * rng.normal(size=sites)), case.repeats),
        height=(0.0, case.range_m, 150), sweeps=sites * case.repeats, bench=case.bench, seed=rng,
        tip=[f"T{tip}" for tip in np.repeat(np.arange(tips), case.sites * each)], site=np.repeat(np.arange(sites), each),
        ramp=HeightRamp(directions=case.directions, bend=case.bend),
    )  # fmt: skip
    return fit_barrier(made.sweeps, NO_LOOP)


def run(quick: bool = False, seed: int = 0) -> list[Finding]:
    """All cases; quick takes a tenth of the tips."""
    findings = []
    for case in BENT:
        seen = look(case, 4 if quick else 100, seed)
        findings += [
            Finding(case.name, "tips in which the bend is found [%]", 100 * seen.found / seen.tips, 99.9, 100, seen.tips),
            Finding(case.name, "median size of the bend [% of the barrier]", seen.percent.median(), *case.percent, seen.found,
                    median_error(seen.percent)),
            Finding(case.name, "sweeps called slow noise [%]", 100 * seen.named_noise / seen.sweeps, trials=seen.sweeps),
            Finding(case.name, "straight from, median [nm]", seen.straight_nm.median(), trials=seen.found,
                    error=median_error(seen.straight_nm)),
            Finding(case.name, "coverage of 95 % intervals, tip with its bend [%]", seen.held, 93, 100, seen.tips),
            Finding(case.name, "the same without the bend [%]", seen.without, trials=seen.tips),
        ]  # fmt: skip
        if case.shape:
            right = 100 * seen.shapes.count(case.shape) / len(seen.shapes)
            findings.append(Finding(case.name, "bends named rightly [%]", right, 95, 100, len(seen.shapes)))
    for case in STRAIGHT:
        seen = look(case, 25 if quick else 200, seed)
        share = 100 * seen.found / seen.tips
        findings.append(Finding(case.name, "straight tips called bent [%]", share, 0, 1, seen.tips))
    return findings
