"""Calibrations: both scales are put on the sweeps, once."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.testing import assert_allclose

from sts.analysis.calibrated import calibrated, height_scale, in_force
from sts.barrier import fit_barrier
from sts.sweeps import SweepSet, sweep_table

ROWS = pd.DataFrame(
    {
        "kind": ["height", "current", "height"],
        "factor": [2.0, 0.9, 0.95],
        "factor_se": [0.1, 0.01, 0.02],
        "source": ["first", "resistor", "step"],
    }
)
Z = np.linspace(0, 5e-10, 50)


def test_the_last_of_each_kind_is_in_force() -> None:
    assert in_force(ROWS, "height") == {"kind": "height", "factor": 0.95, "factor_se": 0.02, "source": "step"}
    assert in_force(ROWS[:0], "height") is None
    scale = height_scale(ROWS)
    assert scale is not None
    assert (scale.factor, scale.source) == (0.95, "step")


def test_heights_and_currents_are_on_the_true_scale() -> None:
    table = sweep_table(["a"], setpoint_current_A=1e-10, full_scale_A=1e-9)
    sets = [
        SweepSet("iz", Z, 1e-10 * np.exp(-2e10 * Z)[None], table),
        SweepSet("iv", np.linspace(-1, 1, 50), np.ones((1, 50)), table),
    ]
    heights, biases = calibrated(sets, ROWS)
    assert_allclose(heights.axis, 0.95 * Z)
    assert_allclose(biases.axis, sets[1].axis)
    for before, after in zip(sets, (heights, biases), strict=True):
        assert_allclose(after.current, 0.9 * before.current)
        assert_allclose(after.table[["setpoint_current_A", "full_scale_A"]], [[9e-11, 9e-10]])
    ratio = fit_barrier(heights).table["barrier_eV"] / fit_barrier(sets[0]).table["barrier_eV"]
    assert_allclose(ratio, 0.95**-2, rtol=1e-6)
    assert calibrated(sets, ROWS[:0])[0] is sets[0]
