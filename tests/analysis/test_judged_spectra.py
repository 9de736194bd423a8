"""I(V) sets judged together, and the zero of the current that they tell."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from spectra.faults.test_start_transient import pairs

from sts.analysis.judged_spectra import judge_spectra, zeros_of_current
from sts.flags import flag_rows, join_flags, no_flags
from sts.plan import CheckPlan, Plan
from sts.spectra import judge_iv


def test_sets_that_settle_lose_the_samples_of_the_transient_and_others_stay_as_they_are() -> None:
    clean, late = pairs(21), pairs(7, 6e-11)
    late = late.with_table(late.table.assign(site="2", sweep=[f"late {name}" for name in late.names]))
    counted: list[int] = []
    (kept, masked), flags = judge_spectra([clean, late], CheckPlan(), counted.append)
    assert kept is clean
    hidden = np.isnan(masked.current)
    assert hidden.any(axis=1).all()
    assert np.array_equal(masked.current[~hidden], late.current[~hidden])
    assert set(flags.loc[flags["flag"] == "settling", "sweep"]) == set(late.names)
    own = flags[flags["sweep"].isin(clean.names)].reset_index(drop=True)
    pd.testing.assert_frame_equal(own, judge_iv(clean, CheckPlan()).reset_index(drop=True), check_dtype=False)
    assert counted == [1, 2]


def test_the_zero_of_the_current_is_told_by_the_sweeps_that_are_used() -> None:
    """An offset of 3 pA, planted; sweeps that the rules leave out say nothing."""
    sweeps = pairs(22, density="metal", current_offset_A=3e-12)
    (found,) = zeros_of_current([sweeps], no_flags(), Plan())
    assert found.value == pytest.approx(3e-12, abs=4 * found.u)
    assert found.u < 2e-12
    assert found.source == "8 I(V) sweeps at zero bias"
    jumped = flag_rows(sweeps.names, [True, True, *[False] * 6], "jump", "x")
    (fewer,) = zeros_of_current([sweeps], join_flags([jumped]), Plan())
    assert fewer.source == "6 I(V) sweeps at zero bias"
