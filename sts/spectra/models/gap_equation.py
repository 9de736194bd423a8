"""The gap equation of BCS theory: how a superconducting gap closes with temperature."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import optimize

Array = NDArray[np.float64]

ZERO_RATIO = float(np.pi / np.exp(np.euler_gamma))  # Δ(0)/kTc, weak coupling: 1.764


def gap_ratio(temperature: Any) -> Array:
    """Δ(T)/Δ(0) of weak-coupling BCS theory at T/Tc (any shape), from the gap equation; 0 above Tc.

    Parameters
    ----------
    temperature : array_like, any shape
        Over the critical temperature.

    Notes
    -----
    ln(1/t) = 2πt Σ_n [1/ω_n - 1/√(ω_n² + (aδ)²)], ω_n = πt(2n + 1), a = Δ(0)/kTc: solved by bisection with the tail of the
    sum done as an integral. Agrees with the table of B. Mühlschlegel, Z. Phys. 155, 313 (1959).
    """
    t = np.asarray(temperature, float)
    return np.asarray(np.vectorize(_one_ratio, otypes=[float])(t))


def _one_ratio(t: float) -> float:
    if t >= 1:
        return 0.0
    if t < 0.02:
        return 1.0
    terms = 4000
    w = np.pi * t * (2 * np.arange(terms) + 1)
    end = np.pi * t * 2 * terms

    def missing(d: float) -> float:
        x = ZERO_RATIO * d
        tail = np.log((1 + np.sqrt(1 + (x / end) ** 2)) / 2) / (2 * np.pi * t)  # ∫ from the last term, step 2πt
        return float(2 * np.pi * t * (np.sum(1 / w - 1 / np.sqrt(w**2 + x**2)) + tail) - np.log(1 / t))

    return float(optimize.brentq(missing, 1e-9, 1.2, xtol=1e-14))
