"""Calibrations: both scales are put on the sweeps, once."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

import sts
from sts.analysis.calibrated import calibrated, height_scales, scales_of
from sts.barrier import fit_barrier
from sts.comparing.calibration import Calibration
from sts.sweeps import SweepSet, sweep_table

ROWS = pd.DataFrame(
    {
        "kind": ["height", "current", "height"],
        "factor": [2.0, 0.9, 0.95],
        "factor_se": [0.1, 0.01, 0.02],
        "source": ["first", "resistor", "step"],
    }
)
FILES = pd.DataFrame({"name": ["a"]})
Z = np.linspace(0, 5e-10, 50)


def test_a_piezo_at_another_temperature_is_told_and_enters_the_uncertainty() -> None:
    """2 % of the scale from its steps; 5 K at 0.3 % per K are 1.5 %: 2.5 % together."""
    log = ROWS.assign(temperature_K=290.0, dof=np.nan, factor_se=0.019)
    sets = [SweepSet("iz", Z, np.ones((1, 50)), sweep_table(["a"], temperature_K=295.0))]
    scales = scales_of(sets, log, FILES, 0.3)
    assert scales.common is not None
    assert scales.common.relative_se == pytest.approx(0.025)
    (note,) = scales.notes
    assert "with the piezo at 290 K, the sweeps at 295 K" in note
    assert "1.5 % of height" in note
    sets[0].table["piezo_temperature_k"] = 290.0  # the sample is warmer, the piezo is not
    assert scales_of(sets, log, FILES, 0.3).common.relative_se == pytest.approx(0.02)
    assert not scales_of(sets, log.assign(temperature_K=np.nan), FILES, 0.3).notes


def test_the_last_of_each_kind_is_in_force() -> None:
    scale = height_scales(ROWS, FILES)[""]
    assert height_scales(ROWS[:0], FILES) == {"": None}
    assert scale is not None
    assert (scale.factor, scale.source) == (0.95, "step")


def test_heights_and_currents_are_on_the_true_scale() -> None:
    table = sweep_table(["a"], setpoint_current_A=1e-10, full_scale_A=1e-9)
    sets = [
        SweepSet("iz", Z, 1e-10 * np.exp(-2e10 * Z)[None], table),
        SweepSet("iv", np.linspace(-1, 1, 50), np.ones((1, 50)), table),
    ]
    heights, biases = calibrated(sets, ROWS, FILES)
    assert_allclose(heights.axis, 0.95 * Z)
    assert_allclose(biases.axis, sets[1].axis)
    for before, after in zip(sets, (heights, biases), strict=True):
        assert_allclose(after.current, 0.9 * before.current)
        assert_allclose(after.table[["setpoint_current_A", "full_scale_A"]], [[9e-11, 9e-10]])
    ratio = fit_barrier(heights).table["barrier_eV"] / fit_barrier(sets[0]).table["barrier_eV"]
    assert_allclose(ratio, 0.95**-2, rtol=1e-6)
    assert calibrated(sets, ROWS[:0], FILES)[0] is sets[0]


def test_a_calibration_of_the_current_reaches_every_current_and_no_barrier(analysis, copy):
    """The demo's amplifier read 1 nA where 1.1 nA flowed: currents and conductances rise, ratios and heights stay."""
    copy.add_calibration("current", Calibration(1.1, 0.02, "a stated resistor", measured=1.0, known=1.1))
    after = sts.analyse(copy)
    for column, factor in {"current_A": 1.1, "didv_S": 1.1, "didv_se_S": 1.1, "normalised": 1.0}.items():
        expected = analysis.spectra.table[column] * factor
        assert after.spectra.table[column].to_numpy() == pytest.approx(expected.to_numpy(), rel=1e-6, nan_ok=True)
    assert list(after.spectra.summary["setpoint_current_A"]) == pytest.approx(
        list(analysis.spectra.summary["setpoint_current_A"] * 1.1)
    )
    assert list(after.barrier.tips["barrier_eV"]) == pytest.approx(list(analysis.barrier.tips["barrier_eV"]), rel=1e-3)
    assert list(after.judged["flags"]) == list(analysis.judged["flags"])
    assert "multiplied by 1.1 ± 0.02 (a stated resistor)" in after.spectra.notes[0]
