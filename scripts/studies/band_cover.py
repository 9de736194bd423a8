"""I(V): what the two bands of dI/dV hold. The first is of dI/dV as smoothed, seen through the kernel that is stated; the second of
dI/dV itself, broadened by the temperature alone.

Truth by numpy on a fine grid of its own, at 77 K: a step, a line above an edge, a peak, a dip, a V, a parabola and a level curve;
5, 20 and 80 repeats with white and 1/f noise and a set-point that scatters.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from sts.curves.smoothing import make_smoother
from sts.spectra import average_spectrum
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
    return [finding.widened() for finding in found] if quick else found


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
    thermal = np.asarray(1 / np.cosh(FINE[np.abs(FINE) < 0.15] / (2 * KT)) ** 2, float)
    exact = _seen_through(density(FINE), thermal)
    current = np.concatenate([[0.0], np.cumsum((exact[1:] + exact[:-1]) / 2 * STEP)])
    clean = np.interp(BIAS, FINE, current - np.interp(0.0, FINE, current))
    level = 1 + 0.02 * rng.standard_normal((repeats, 1))
    measured = level * clean + 2e-3 * rng.standard_normal((repeats, BIAS.size)) + 1e-3 * _slow(repeats, rng)
    table = sweep_table([f"s{k}" for k in range(repeats)], temperature_K=77.0)
    spectrum = average_spectrum(SweepSet("iv", BIAS, measured * 1e-9, table))
    assert spectrum.smoothed_as is not None
    assert spectrum.flags is not None
    assert spectrum.unsmoothed_low is not None
    assert spectrum.unsmoothed_high is not None
    offset, weight = make_smoother(spectrum.bias, **spectrum.smoothed_as._asdict()).kernel()
    grid = STEP * np.arange(-round(np.ptp(offset) / STEP), round(np.ptp(offset) / STEP) + 1)
    stated = np.interp(BIAS, FINE, _seen_through(exact, np.interp(grid, offset, weight, left=0, right=0)))
    one_sided, near = np.asarray(spectrum.one_sided, bool), np.abs(np.abs(BIAS) - place) < 0.03
    for which, low, high, truth in (
        ("first", spectrum.didv_low, spectrum.didv_high, stated),
        ("second", spectrum.unsmoothed_low, spectrum.unsmoothed_high, np.interp(BIAS, FINE, exact)),
    ):
        holds = (low < truth * 1e-9) & (truth * 1e-9 < high)
        for where, mask in zip(PLACES, (~one_sided, near, one_sided), strict=True):
            for kind in (repeats, shape):
                held[which, kind, where].append(float(holds[mask].mean()))
    said[shape, repeats].append(bool((spectrum.flags["flag"] == "smoothing shows").any()))


def _seen_through(curve: Array, kernel: Array) -> Array:
    """A curve on the fine grid convolved with a kernel on its steps; level beyond its ends."""
    pad = kernel.size
    wide = np.pad(curve, pad, mode="edge")
    size = wide.size + kernel.size - 1
    full = np.fft.irfft(np.fft.rfft(wide, size) * np.fft.rfft(kernel / kernel.sum(), size), size)
    return np.asarray(full[pad + kernel.size // 2 :][: curve.size])


def _slow(repeats: int, rng: np.random.Generator) -> Array:
    """1/f noise of rms 1 in each sweep."""
    frequency = np.fft.rfftfreq(2 * BIAS.size)
    size = np.where(frequency > 0, 1 / np.sqrt(np.maximum(frequency, frequency[1])), 0)
    noise = rng.standard_normal((repeats, size.size)) + 1j * rng.standard_normal((repeats, size.size))
    slow = np.fft.irfft(noise * size, 2 * BIAS.size, axis=1)[:, : BIAS.size]
    return np.asarray(slow / slow.std())
