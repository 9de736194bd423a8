"""I(V) at a varying gap: the factor to constant separation against a barrier that the bias tilts, and suspicion of gaps not stated.

The truth is a WKB integral of its own: sample and tip densities, a trapezoidal barrier, a gap drawn around the one that is assumed,
decay measured at one bias with an error. The error of a factor is one for all of a spectrum. Suspected must be sweeps at a varying
gap that the plan says nothing of, and no others.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from sts.quantities import decay_from_barrier
from sts.simulate import Bench, BiasRamp, simulate_iv
from sts.spectra import average_spectrum
from sts.spectra.varying_gap import Decay, log_factor
from studies import Finding

TITLE = "I(V): varying gaps"
A = float(decay_from_barrier(1.0)) * 1e-9
_U, _W = np.polynomial.legendre.leggauss(120)
ASSUMED_NM = 0.8
Density = Callable[[Any], Any]
SAMPLES: dict[str, Density] = {
    "level": lambda e: np.ones_like(e),
    "V-shaped": lambda e: 0.05 + np.abs(e),
    "peak": lambda e: 0.1 + np.exp(-(((e - 0.6) / 0.1) ** 2)),
    "rising": np.exp,
    "gap, steps at ±0.5 V": lambda e: (np.abs(e) > 0.5) * 1.0,
    "gap, lines from ±0.5 V": lambda e: np.maximum(np.abs(e) - 0.5, 0.0),
    "gap, roots from -1 and 0.4 V": lambda e: np.sqrt(np.maximum(np.where(e > 0, e - 0.4, -e - 1.0), 0.0)),
}  # fmt: skip
SUSPECTS = ("flat", "v_shaped", "gapped", "two_peaks")
LOOKED_AT = (-2.5, -2.0, -1.5, 1.5, 2.0, 2.5)


def wkb_current(bias: Any, gap_nm: Any, barrier_eV: float, sample: Density, tip: Density) -> np.ndarray:
    """Current at each bias and gap, (n,), in arbitrary units."""
    v = np.abs(np.asarray(bias, float))[:, None]
    sign = np.sign(np.asarray(bias, float))[:, None]
    below = v * (_U + 1) / 2  # of the sample's states, from its Fermi level
    top = barrier_eV + np.where(sign > 0, v - below, below)
    action = A * np.reshape(gap_nm, (-1, 1)) * 2 / (3 * v) * (top**1.5 - np.maximum(top - v, 0.0) ** 1.5)
    states = sample(sign * below) * tip(sign * (below - v))
    return np.asarray(sign[:, 0] * (_W * states * np.exp(-action)).sum(axis=1) * v[:, 0] / 2)


def run(quick: bool = False, seed: int = 0) -> list[Finding]:
    """All densities; `quick` takes a tenth of the trials, and widens the bounds."""
    found = [one for name in SAMPLES for one in _factors(name, 5 if quick else 60, seed)]
    found += [one for name in SUSPECTS for one in _suspected(name, 10 if quick else 100, seed)]
    return [finding.widened() for finding in found] if quick else found


def _factors(name: str, trials: int, seed: int) -> list[Finding]:
    held, errors, before = [], [], []
    for trial in range(trials):
        rng = np.random.default_rng([seed, 61, list(SAMPLES).index(name), trial])
        barrier, gap, slope = rng.uniform(3.8, 5.2), rng.normal(ASSUMED_NM, 0.2), rng.uniform(0.05, 0.15)
        gap = min(max(gap, 0.4), 1.2)
        lean = 0.2 * rng.standard_normal()

        def tip(energy: Any, lean: float = lean) -> Any:
            return np.exp(lean * energy)

        sample = SAMPLES[name]
        v = np.linspace(-2.5, 2.5, 201)[np.arange(201) != 100]
        measured = wkb_current(v, gap + slope * np.abs(v), barrier, sample, tip)
        scale = 1e-9 / np.abs(measured).max()
        with np.errstate(divide="ignore", invalid="ignore"):
            truth = np.log(wkb_current(v, np.full(v.size, gap), barrier, sample, tip) / measured)
        at = float(rng.choice([-2.0, 2.0])) if "gap" in name else 0.1
        near, far = (wkb_current([at], [gap + d], barrier, sample, tip)[0] for d in (-0.01, 0.01))
        decay = np.log(near / far) / 0.02e-9
        stated = decay * (1 + 0.01 * rng.standard_normal())
        current = scale * measured + 1e-12 * rng.standard_normal((5, v.size))
        exponent, se = log_factor(
            v, current, gap_slope_m_per_V=slope * 1e-9,
            decay=Decay(stated, 0.01 * decay, at, ASSUMED_NM * 1e-9),
        )  # fmt: skip
        plain = stated * slope * 1e-9 * np.abs(v)
        for volt in LOOKED_AT:
            k = int(np.argmin(np.abs(v - volt)))
            if scale * abs(measured[k]) > 3e-12:
                held.append(abs(exponent[k] - truth[k]) < 1.96 * se[k])
                errors.append(exponent[k] - truth[k])
                before.append(plain[k] - truth[k])
    least, share = 90 - 200 * np.sqrt(0.05 * 0.95 / trials), 100 * float(np.mean(held))
    return [
        Finding(name, "factor at 1.5 to 2.5 V: coverage of 95 % intervals [%]", share, least, 100, len(held)),
        Finding(name, "factor: rms error of its logarithm, a gap known to 0.2 nm", _rms(errors), 0, 0.3, trials,
                _rms(errors) / np.sqrt(2 * trials)),
        Finding(name, "factor: the same with one decay at all biases", _rms(before), trials=trials,
                error=_rms(before) / np.sqrt(2 * trials)),
    ]  # fmt: skip


def _rms(errors: list[float]) -> float:
    return float(np.sqrt(np.mean(np.square(errors))))


def _suspected(name: str, trials: int, seed: int) -> list[Finding]:
    found = []
    for slope, words, low, high in ((0.0, "constant gap", 0, 1), (1e-10, "1 Å/V, not stated", 80, 100)):
        hits = 0
        for trial in range(trials):
            draw = np.random.default_rng([seed, 62, SUSPECTS.index(name), trial])
            noise = 10 ** draw.uniform(-12.5, -11)
            made = simulate_iv(
                density=name, bias=(-2.0, 2.0, 161), sweeps=int(draw.choice([3, 10])), temperature_K=77.0, seed=draw,
                bench=Bench(white_A=noise), ramp=BiasRamp(gap_slope_m_per_V=slope),
            )  # fmt: skip
            flags = average_spectrum(made.sweeps).flags
            hits += bool((flags["flag"] == "gap may vary").any()) if flags is not None else 0
        found.append(
            Finding(
                f"{name}, {words}", "spectra suspected of a varying gap [%]", 100 * hits / trials, low, high, trials
            )
        )
    return found
