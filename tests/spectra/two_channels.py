"""Sweeps with a current and a lock-in channel of a closed form: a soft gap whose integral is known."""

from __future__ import annotations

import numpy as np

from sts.flags import no_flags
from sts.plan import Plan
from sts.spectra.average import average_spectrum
from sts.spectra.offsets import UNKNOWN
from sts.sweeps import SweepSet, sweep_table

V = np.linspace(-0.4, 0.4, 161)
WIDTH = 0.05


def conductance(v):
    """1 nS/0.4 V times a soft gap: 1 - 0.9/(1 + (v/w)²), whose integral is v - 0.9 w atan(v/w)."""
    return 2.5e-9 * (1 - 0.9 / (1 + (v / WIDTH) ** 2))


def current(v):
    return 2.5e-9 * (v - 0.9 * WIDTH * np.arctan(v / WIDTH))


def measured(
    rng, repeats: int, *, gain=1.0, zero=0.0, white=3e-12, lockin=1e-11, level=0.0, shape=0.0, unit="S"
) -> SweepSet:
    """Sweeps up and down, the level of each repeat its own; `shape` bends the channel, as no gain does."""
    factor = np.repeat(np.exp(level * rng.standard_normal(repeats)), 2)[:, None]
    size = (2 * repeats, V.size)
    own = conductance(V) * (1 + shape * np.sin(12 * V))
    table = sweep_table(
        [f"s{i}" for i in range(2 * repeats)], direction=["up", "down"] * repeats,
        repeat=np.repeat(np.arange(repeats) + 1.0, 2), setpoint_current_A=1e-9, setpoint_bias_V=0.4,
    )  # fmt: skip
    return SweepSet(
        "iv", V, factor * current(V) + white * rng.standard_normal(size), table,
        lockin=gain * factor * own + zero + lockin * rng.standard_normal(size), lockin_unit=unit,
    )  # fmt: skip


def spectrum(sweeps: SweepSet, **plan):
    return average_spectrum(sweeps, Plan(spectra=plan), flags=no_flags(), offsets=UNKNOWN)
