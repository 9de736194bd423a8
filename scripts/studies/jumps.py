"""Jumps within I(V) sweeps: how many are missed, and how often a sweep without one is accused.

The simulator is this module's own: numpy only, nothing of the package but the table of sweeps. Conductances of six shapes
are integrated to currents of 1 nA at the set-point, with 201 points, white noise of 2 pA, and 1/f noise of the gap of 0.5 %
(root mean square). Sites differ in level, in tilt and in the place of their features by 0, 2, 5 or 8 % (standard deviation of
each). A jump changes the current by a factor of 1.5 or 1/1.5 from some point on, anywhere between 4 and 96 % of the sweep where
the step is ten times the noise or more. Missed is a jumping sweep without the flag *jump*; false is the flag on any other.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from sts.spectra import judge_iv
from sts.sweeps import SweepSet, sweep_table
from studies import Finding

TITLE = "I(V): jumps within a sweep"
Array = NDArray[np.float64]

POINTS, WHITE, SLOW, FACTOR = 201, 2e-12, 0.005, 1.5
FALSE, MISSED = 1.0, 5.0  # [%] at most
LAYOUTS: dict[str, tuple[int, int]] = {  # sites, and sweeps in each direction at a site
    "1 sweep": (1, 1),
    "2 sites of 1": (2, 1),
    "3 sites of 1": (3, 1),
    "3 sites of 2": (3, 2),
    "4 sites of 3": (4, 3),
    "1 site of 5": (1, 5),
    "2 sites of 6": (2, 6),
    "1 site of 10": (1, 10),
    "4 sites of 5": (4, 5),
}
DIFFER = (0.0, 0.02, 0.05, 0.08)


def _band(v: Array, edge: float, width: float) -> Array:
    return np.asarray(width * np.logaddexp(0.0, (v - edge) / width))


def _superconductor(v: Array) -> Array:
    """|Re (E - iΓ)/√((E - iΓ)² - Δ²)| with Δ a fifth of the axis, seen at kT of a 25th of Δ by nine shifted copies."""
    shifts = np.linspace(-0.03, 0.03, 9)
    e = v[:, None] + shifts - 0.004j
    weight = 1 / np.cosh(shifts / 0.016) ** 2
    return np.asarray(np.abs(np.real(e / np.sqrt(e**2 - 0.04))) @ weight / weight.sum())


SHAPES: dict[str, Any] = {
    "V-shaped": lambda v: 0.2 + np.abs(v),
    "band edges": lambda v: 0.01 + _band(v, 0.45, 0.02) + _band(-v, 0.5, 0.02),
    "step edges": lambda v: 0.02 + 1 / (1 + np.exp((0.4 - v) / 0.008)) + 1 / (1 + np.exp((0.3 + v) / 0.008)),
    "coherence peaks": _superconductor,
    "peak on a slope": lambda v: 0.5 + 0.4 * v + 1.5 * np.exp(-(((v - 0.3) / 0.03) ** 2)),
    "barrier": lambda v: np.exp(2 * np.abs(v)),
}


def sweeps_of(
    shape: str, layout: tuple[int, int], differ: float, rng: np.random.Generator, *, jumping: float = 0.0,
    noisy: float = 1.0, factor: float = FACTOR,
) -> tuple[SweepSet, NDArray[np.bool_], int]:  # fmt: skip
    """Sweeps up and down, which of them jump, and the row of the noisy one (-1: none)."""
    v = np.linspace(-1, 1, POINTS)
    sites, each = layout
    fine = np.linspace(-1.5, 1.5, 6001)
    g = SHAPES[shape](fine)
    whole = np.concatenate([[0.0], np.cumsum(np.diff(fine) * (g[1:] + g[:-1]) / 2)])
    whole = (whole - np.interp(0.0, fine, whole)) * 1e-9
    whole /= np.interp(1.0, fine, whole) / 1e-9
    site = np.repeat(np.arange(sites), 2 * each)
    way = np.tile(["up", "down"], sites * each)
    m = site.size
    level, tilt, stretch = differ * rng.standard_normal((3, sites))
    clean = np.array([np.interp(v * (1 - stretch[k]), fine, whole) for k in site])
    clean *= 1e-9 / clean[:, -1:]
    frequency = np.fft.rfftfreq(2 * POINTS)
    frequency[0] = np.inf
    slow = np.fft.irfft(np.fft.rfft(rng.standard_normal((m, 2 * POINTS))) / np.sqrt(frequency))[:, :POINTS]
    slow *= SLOW / slow.std(axis=1, keepdims=True)
    gain = np.exp(level[site, None] + tilt[site, None] * v + slow + 0.01 * rng.standard_normal((m, 1)))
    current = clean * gain
    jumped = rng.random(m) < jumping
    if jumping > 0.5 and m > 1:
        jumped[rng.integers(m)] = False  # one at least is smooth
    for i in np.flatnonzero(jumped):
        inner = np.arange(POINTS) / POINTS
        there = np.flatnonzero((inner > 0.04) & (inner < 0.96) & (np.abs(clean[i]) * (1 - 1 / factor) > 10 * WHITE))
        at, times = rng.choice(there), factor ** rng.choice([-1.0, 1.0])
        current[i, slice(at, None) if way[i] == "up" else slice(None, at + 1)] *= times
    white = np.full((m, 1), WHITE)
    row = int(rng.integers(m)) if noisy != 1 else -1
    if row >= 0:
        white[row] *= noisy
    current += white * rng.standard_normal(current.shape)
    names = [f"s{k:03d}" for k in range(m)]
    table = sweep_table(names, sample="gold", tip="t", site=[f"p{s}" for s in site], direction=list(way))
    return SweepSet("iv", v, current, table), jumped, row


def _shares(
    cases: list[tuple[str, str, float]], trials: int, seed: list[int], **faults: Any
) -> tuple[int, int, int, int]:
    """Of sweeps that jump, and of those that do not: how many are called jumping, and how many there are."""
    found = planted = false = clean = 0
    for number, (shape, layout, differ) in enumerate(cases):
        for trial in range(trials):
            rng = np.random.default_rng([*seed, number, trial])
            sweeps, jumped, _ = sweeps_of(shape, LAYOUTS[layout], differ, rng, **faults)
            rows = judge_iv(sweeps)
            called = np.isin(sweeps.names, rows.loc[rows["flag"] == "jump", "sweep"])
            found, planted = found + int(called[jumped].sum()), planted + int(jumped.sum())
            false, clean = false + int(called[~jumped].sum()), clean + int((~jumped).sum())
    return found, planted, false, clean


def run(quick: bool = False, seed: int = 0) -> list[Finding]:
    """All layouts, differences between sites and shapes; `quick` takes a third of the trials, and widens the bounds."""
    trials = 1 if quick else 3
    findings = []
    for layout in LAYOUTS:
        for differ in DIFFER if LAYOUTS[layout][0] > 1 else (0.0,):
            cases = [(shape, layout, differ) for shape in SHAPES]
            findings += _few_jump(f"{layout}, sites differ by {100 * differ:g} %", cases, trials, [seed, 3])
    for layout in ("3 sites of 2", "1 site of 5", "1 site of 10", "4 sites of 5"):
        cases = [(shape, layout, differ) for shape in SHAPES for differ in (0.0, 0.05)]
        findings += _few_jump(f"{layout}, four of five sweeps jump", cases, trials, [seed, 5], jumping=0.8)
    for shape in SHAPES:
        cases = [(shape, layout, 0.05) for layout in LAYOUTS]
        findings += _few_jump(f"{shape}, all layouts", cases, trials, [seed, 7])
    for noisy in (3.0, 6.0, 13.0, 20.0):
        findings += _noisy(noisy, trials, [seed, 11])
    return [f.widened() for f in findings] if quick else findings


def _few_jump(
    case: str, cases: list[tuple[str, str, float]], trials: int, seed: list[int], jumping: float = 0.2
) -> list[Finding]:
    found, planted, false, clean = _shares(cases, 2 * trials, seed, jumping=jumping)
    return [
        Finding(case, "jumps of ×1.5 missed [%]", 100 * (1 - found / max(planted, 1)), 0.0, MISSED, planted),
        Finding(case, "sweeps without a jump called jumping [%]", 100 * false / clean, 0.0, FALSE, clean),
    ]


def _noisy(times: float, trials: int, seed: list[int]) -> list[Finding]:
    """One sweep with several times the noise of the others: it is no jump, and from 13 times on it is called noisy."""
    jump = called = others = total = clean = 0
    for number, shape in enumerate(SHAPES):
        for place, layout in enumerate(("3 sites of 2", "1 site of 5", "4 sites of 5")):
            for trial in range(2 * trials):
                rng = np.random.default_rng([*seed, number, place, trial])
                sweeps, _, row = sweeps_of(shape, LAYOUTS[layout], 0.02, rng, noisy=times)
                rows = judge_iv(sweeps)
                by = {flag: set(rows.loc[rows["flag"] == flag, "sweep"]) for flag in ("jump", "noisy")}
                jump += sweeps.names[row] in by["jump"]
                called += sweeps.names[row] in by["noisy"]
                others += len(by["noisy"] - {sweeps.names[row]})
                total, clean = total + 1, clean + len(sweeps) - 1
    case = f"one sweep of {times:g} times the noise"
    least = 95.0 if times >= 13 else 0.0
    return [
        Finding(case, "it is called a jump [%]", 100 * jump / total, 0.0, FALSE, total),
        Finding(case, "it is called noisy [%]", 100 * called / total, least, 100.0, total),
        Finding(case, "others called noisy [%]", 100 * others / clean, 0.0, FALSE, clean),
    ]
