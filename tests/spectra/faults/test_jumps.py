"""Steps of the current within a sweep, against those that operators noted."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from sts.spectra import judge_iv
from sts.spectra.faults.jumps import Comparison, beyond_swing
from sts.spectra.faults.steps import own_steps
from sts.sweeps import SweepSet, sweep_table


def test_jumps_of_measured_cells_are_where_their_operator_noted_them(opendata: Path):
    """Notes in the files: 3.85, 4.35, 1.7, 4.3 and -1.3 V; one sweep each, so nothing to compare with."""
    for name, noted in (
        ("w1_form_50uA", 3.85),
        ("w1_set_50uA", 4.35),
        ("w1_set_20uA_a", 1.7),
        ("w1_set_20uA_b", 4.3),
        ("w1_reset_8mA", -1.3),
    ):
        lines = (opendata / "rram-cu-taox-pt-iv" / f"{name}.csv").read_text(encoding="utf-8").splitlines()
        start = next(i for i, line in enumerate(lines) if line.startswith("Time"))
        values = np.array([[float(x) for x in line.split(",")] for line in lines[start + 1 :]])
        order = np.argsort(values[:, 4])
        sweeps = SweepSet("iv", values[order, 4], values[order, 3][None], sweep_table([name]))
        rows = judge_iv(sweeps)
        assert {"jump", "saturated"} <= set(rows["flag"])
        position, _ = own_steps(sweeps.axis, sweeps.current, np.zeros(1), factor=1.2)
        assert position[0] == pytest.approx(noted, abs=0.051)


def test_a_slow_wave_larger_than_the_step_is_no_jump_and_a_step_beneath_a_small_wave_is():
    """A sweep that follows its median but for nine periods of a wave, and one whose level steps, with a tenth of that wave."""
    axis = np.linspace(-1, 1, 256)
    median = 1e-9 * axis
    wave = 3e-10 * np.sin(2 * np.pi * 9 * np.arange(256) / 256)
    sweeps = np.array([median + wave, median * np.where(axis > 0.3, 1.5, 1.0) + 0.1 * wave])
    comparison = Comparison(axis, sweeps, median, np.ones(256))
    kept = beyond_swing(comparison, np.array([0.05, 0.3]))
    assert np.isnan(kept[0])
    assert kept[1] == 0.3
