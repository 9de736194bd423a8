"""I(V): what the two bands of dI/dV hold. The first is of dI/dV as smoothed, seen through the kernel that is stated; the second of
dI/dV itself, broadened by the temperature alone.

Truth by numpy on a fine grid of its own, at 77 K: a step, a line above an edge, a peak, a dip, a V, a parabola and a level curve;
5, 20 and 80 repeats with white and 1/f noise and a set-point that scatters. And sweeps of 5,000 to 100,000 points, seven repeats
with white and with 1/f noise, in blocks of neighbouring points: in 400 of them, ten times as wide as the tool's.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sts.curves.smoothing import make_smoother
from sts.spectra import average_spectrum
from sts.spectra.blocks_of_points import MOST_POINTS, in_blocks
from sts.sweeps import SweepSet, sweep_table
from studies import Finding, mean_error

TITLE = "I(V): what the bands hold"
Array = NDArray[np.float64]
KT = 8.617333e-5 * 77
STEP = 1e-4
FINE: Array = np.linspace(-1.3, 1.3, 26001)
BIAS = np.linspace(-1, 1, 201)
SHAPES: dict[str, tuple[Callable[[Array], Array], float]] = {  # dI/dV [nS], and where its feature is [V]
    "step": (lambda e: np.where(np.abs(e) > 0.3, 0.7 + np.abs(e), 0.05), 0.3),
    "edge": (lambda e: 0.02 + 2 * np.maximum(np.abs(e) - 0.3, 0), 0.3),
    "peak": (lambda e: 0.3 + np.exp(-(((e - 0.2) / 0.03) ** 2)), 0.2),
    "dip": (lambda e: 1 - 0.7 * np.exp(-((e / 0.03) ** 2)), 0.0),
    "V": (lambda e: 0.05 + np.abs(e), 0.0),
    "parabola": (lambda e: 0.2 + e**2, 0.0),
    "level": (lambda e: 1 + 0 * e, 0.0),
}  # fmt: skip
REPEATS = (5, 20, 80)
MANY, BLOCKS, COLOURS = (5_000, 20_000, 100_000), 400, ("white", "1/f")
PLACES = ("inside", "feature", "ends")


def run(quick: bool = False, seed: int = 0) -> list[Finding]:
    """All shapes; `quick` takes a fifth of the groups, and widens the bounds."""
    trials = 4 if quick else 20
    held: dict[tuple[str, object, str], list[float]] = defaultdict(list)
    said: dict[tuple[str, int], list[bool]] = defaultdict(list)
    for shape in SHAPES:
        for repeats in REPEATS:
            for trial in range(trials):
                _one(
                    shape,
                    repeats,
                    np.random.default_rng([seed, 71, repeats, list(SHAPES).index(shape), trial]),
                    held,
                    said,
                )
    found = [
        _coverage(f"{which} band, {where}, {kind if kind in SHAPES else f'{kind} repeats'}", rates, which)
        for (which, kind, where), rates in held.items()
        if kind in REPEATS or where == "feature"
    ]
    found += [
        Finding(f"{shape}, {repeats} repeats", "smoothing is said to show [%]", 100 * float(np.mean(hits)),
                0.0, 1.0 if shape == "level" else 100.0, len(hits))
        for (shape, repeats), hits in said.items()
    ]  # fmt: skip
    found += blocks(trials, seed)
    return [finding.widened() for finding in found] if quick else found


def blocks(trials: int, seed: int) -> list[Finding]:
    """Coverage of the bands inside of sweeps of many points, which are averaged in blocks first."""
    found = []
    for points in MANY:
        for colour in COLOURS:
            rates: dict[str, list[float]] = {"first": [], "second": []}
            for trial in range(trials):
                rng = np.random.default_rng([seed, 72, points, COLOURS.index(colour), trial])
                shape = ("edge", "peak", "dip", "parabola")[trial % 4]
                bias, repeats = np.linspace(-1, 1, points), 7
                clean, exact = _clean(SHAPES[shape][0], bias)
                level = 1 + 0.02 * rng.standard_normal((repeats, 1))
                noise = rng.standard_normal((repeats, points)) if colour == "white" else _slow(repeats, rng, points)
                measured = level * clean + 2e-3 * (np.sqrt(points / BIAS.size) if colour == "white" else 1.0) * noise
                holds, one_sided, _ = _holds(bias, measured, exact, BLOCKS)
                for which, one in holds.items():
                    rates[which].append(float(one[~one_sided].mean()))
            found += [_coverage(f"{which} band, inside, {points} points in blocks, {colour} noise", of, which)
                      for which, of in rates.items()]  # fmt: skip
    return found


def _coverage(case: str, rates: list[float], which: str) -> Finding:
    """Bounds of 93 to 97, 88 to 97 in the features of the second band, wider by twice the error of so many groups."""
    wider = 200 * np.sqrt(0.05 * 0.95 / len(rates))
    least = 88.0 if which == "second" or "ends" in case else 93.0
    return Finding(
        case,
        "coverage of 95 % bands [%]",
        100 * float(np.mean(rates)),
        least - wider,
        min(97 + wider, 100.0),
        len(rates),
        100 * mean_error(rates),
    )


def _one(
    shape: str, repeats: int, rng: np.random.Generator, held: dict[tuple[str, object, str], list[float]],
    said: dict[tuple[str, int], list[bool]],
) -> None:  # fmt: skip
    """Add where the bands of one group hold the truth, and what it is flagged with."""
    density, place = SHAPES[shape]
    clean, exact = _clean(density, BIAS)
    level = 1 + 0.02 * rng.standard_normal((repeats, 1))
    measured = level * clean + 2e-3 * rng.standard_normal((repeats, BIAS.size)) + 1e-3 * _slow(repeats, rng, BIAS.size)
    bands, one_sided, flags = _holds(BIAS, measured, exact)
    near = np.abs(np.abs(BIAS) - place) < 0.03
    for which, holds in bands.items():
        for where, mask in zip(PLACES, (~one_sided, near, one_sided), strict=True):
            for kind in (repeats, shape):
                held[which, kind, where].append(float(holds[mask].mean()))
    said[shape, repeats].append(bool((flags == "smoothing shows").any()))


def _clean(density: Callable[[Array], Array], bias: Array) -> tuple[Array, Array]:
    """The exact current [nA] at some biases, and dI/dV [nS] on the fine grid, at 77 K."""
    thermal = np.asarray(1 / np.cosh(FINE[np.abs(FINE) < 0.15] / (2 * KT)) ** 2, float)
    exact = _seen_through(density(FINE), thermal)
    current = np.concatenate([[0.0], np.cumsum((exact[1:] + exact[:-1]) / 2 * STEP)])
    return np.interp(bias, FINE, current - np.interp(0.0, FINE, current)), exact


def _holds(
    bias: Array, measured: Array, exact: Array, most: int = MOST_POINTS
) -> tuple[dict[str, NDArray[np.bool_]], NDArray[np.bool_], pd.Series[str]]:
    """Where either band holds the truth, where the smoothing is one-sided, and the flags, of currents (m, n) [nA]."""
    table = sweep_table([f"s{k}" for k in range(len(measured))], temperature_K=77.0)
    spectrum = average_spectrum(in_blocks(SweepSet("iv", bias, measured * 1e-9, table), most))
    assert spectrum.smoothed_as is not None
    assert spectrum.flags is not None
    assert spectrum.unsmoothed_low is not None
    assert spectrum.unsmoothed_high is not None
    offset, weight = make_smoother(spectrum.bias, **spectrum.smoothed_as._asdict()).kernel()
    grid = STEP * np.arange(-round(np.ptp(offset) / STEP), round(np.ptp(offset) / STEP) + 1)
    seen = _seen_through(exact, np.interp(grid, offset, weight, left=0, right=0))
    bands = (
        ("first", spectrum.didv_low, spectrum.didv_high, seen),
        ("second", spectrum.unsmoothed_low, spectrum.unsmoothed_high, exact),
    )
    holds = {}
    for which, low, high, truth in bands:
        there = np.interp(spectrum.bias, FINE, truth) * 1e-9
        holds[which] = (low < there) & (there < high)
    return holds, np.asarray(spectrum.one_sided, bool), spectrum.flags["flag"]


def _seen_through(curve: Array, kernel: Array) -> Array:
    """A curve on the fine grid convolved with a kernel on its steps; level beyond its ends."""
    pad = kernel.size
    wide = np.pad(curve, pad, mode="edge")
    size = wide.size + kernel.size - 1
    full = np.fft.irfft(np.fft.rfft(wide, size) * np.fft.rfft(kernel / kernel.sum(), size), size)
    return np.asarray(full[pad + kernel.size // 2 :][: curve.size])


def _slow(repeats: int, rng: np.random.Generator, points: int) -> Array:
    """1/f noise of rms 1 in each sweep."""
    frequency = np.fft.rfftfreq(2 * points)
    size = np.where(frequency > 0, 1 / np.sqrt(np.maximum(frequency, frequency[1])), 0)
    noise = rng.standard_normal((repeats, size.size)) + 1j * rng.standard_normal((repeats, size.size))
    slow = np.fft.irfft(noise * size, 2 * points, axis=1)[:, :points]
    return np.asarray(slow / slow.std())
