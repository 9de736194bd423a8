"""What the tests of the barrier share: a usual range and bench, sets made from arrays, flags and coverage."""

from __future__ import annotations

import numpy as np

from sts.plan import Plan
from sts.simulate import Bench
from sts.sweeps import SweepSet, sweep_table

RANGE = (0.0, 0.36e-9, 150)
VACUUM = Bench(white_A=1e-12, gap_noise=0.01)
NO_LOOP = Plan(barrier={"hysteresis_percent": 0})  # what the virtual piezo has, where the bench does not say else


def flags_of(fit, row=0):
    return set(fit.table["flags"][row].split(";")) - {""}


def a_set(z, current, **columns):
    current = np.atleast_2d(current)
    return SweepSet("iz", z, current, sweep_table([f"s{i}" for i in range(len(current))], **columns))


def held(table, barrier_eV=4.4):
    """Share of the intervals that hold the truth."""
    return ((table["barrier_low_eV"] <= barrier_eV) & (barrier_eV <= table["barrier_high_eV"])).mean()
