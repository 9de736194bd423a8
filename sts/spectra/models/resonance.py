"""A resonance that interferes with a continuum: Fano's line shape, broadened, and its fit."""

from __future__ import annotations

from itertools import product
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sts.spectra.models.fitting import (
    LineFit,
    Measured,
    Start,
    Values,
    blurred,
    fit_line,
    not_at_ends,
    refused,
    starts_within,
    straight_starts,
)
from sts.spectra.models.model import Model, Parameter

Array = NDArray[np.float64]


def fano(bias: Any, centre_V: float, width_V: float, q: float, amplitude: float, background: float) -> Array:
    """Fano resonance: background + amplitude (ε + q)²/(1 + ε²), ε = (V - centre)/(width/2), shape of `bias`.

    Parameters
    ----------
    bias : array_like
        [V].
    centre_V, width_V : float
        Energy and full width Γ of the resonance [V].
    q : float
        Asymmetry: 0 is a dip, ±1 a step-like line, large is a peak.
    amplitude, background : float
        In the unit of the result.

    Notes
    -----
    U. Fano, Phys. Rev. 124, 1866 (1961), doi:10.1103/PhysRev.124.1866, eq. 21.
    """
    e = (np.asarray(bias, float) - centre_V) / (width_V / 2)
    return np.asarray(background + amplitude * (e + q) ** 2 / (1 + e**2))


def fit_fano(measured: Measured) -> LineFit:
    """Fit a Fano resonance, broadened by temperature, modulation and smoothing.

    Parameters
    ----------
    measured : Measured
        At least 10 usable points.

    Returns
    -------
    LineFit
        `values`: centre, width (Γ, full width) [V], q, amplitude, background.
    """
    if why := measured.refusal():
        return refused(why, measured)
    starts = _starts(measured)
    line = blurred(measured, lambda v, p: fano(v, *p.values()), temperature_K=measured.temperature_K)
    height = float(np.ptp(measured.points[1])) or 1.0

    def steps(p: Values) -> Values:
        return {"centre": p["width"], "q": max(1.0, abs(p["q"])), "amplitude": height, "background": height}

    return not_at_ends(fit_line(measured, line, starts, steps=steps, height=height), starts)


def _starts(measured: Measured) -> list[Start]:
    """In the middle; and where a resonance that is not broadened meets the data best."""
    v, g, _ = measured.points
    wide, middle = float(np.ptp(v)), 0.0 if v[0] < 0 < v[-1] else float(v.mean())

    def shapes(x: Array, centre: float, width: float) -> list[Array]:
        # (ε + q)²/(1 + ε²) = 1 + [(q² - 1) + 2qε]/(1 + ε²)
        e = (x - centre) / (width / 2)
        return [1 / (1 + e**2), e / (1 + e**2), np.ones(x.size)]

    grid = list(product(np.linspace(v[0], v[-1], 33)[1:-1].tolist(), (wide / np.array([3, 6, 12, 24, 48])).tolist()))
    (centre, width), (even, odd, level) = straight_starts(measured, shapes, grid)
    amplitude = (np.hypot(even, odd) - even) / 2  # from even = A (q² - 1), odd = 2 A q
    ends = {"centre": (v[0], v[-1]), "width": (wide / 600, 2 * wide), "q": (-50.0, 50.0), "amplitude": (0.0, np.inf),
            "background": (-np.inf, np.inf)}  # fmt: skip
    plain = middle, wide / 6, float(np.sign(g[-1] - g[0]) or 1) * 0.5, float(np.ptp(g)), float(g.min())
    near = centre, width, float(np.clip(odd / (2 * amplitude), -40, 40)), amplitude, level - amplitude
    return starts_within(ends, plain, near)


RESONANCE = Model(
    key="resonance",
    title="Resonance with interference",
    stem="resonance",
    cites="Fano1961",
    parameters=(
        Parameter("centre", "E0", "mV", 1e3, "bias of the resonance"),
        Parameter("width", "Γ", "meV", 1e3, "its full width, broadening taken off"),
        Parameter("q", "q", "", 1.0, "its asymmetry: 0 is a dip, 1 a step, large a peak"),
    ),
    fit=fit_fano,
)
