"""The barriers of the demo against its truth; corrections by model move nothing."""

from __future__ import annotations

from numpy.testing import assert_allclose

import sts
from sts.plan import BarrierPlan, Plan


def test_all_four_barriers_lie_within_their_intervals(analysis, truth):
    tips = analysis.barrier.tips.set_index("tip")
    assert set(tips.index) == set(truth["tips"])
    for tip, known in truth["tips"].items():
        assert tips.loc[tip, "barrier_low_eV"] < known["barrier_eV"] < tips.loc[tip, "barrier_high_eV"], tip


def test_model_corrections_stand_beside_the_apparent_barriers_and_move_nothing(analysis, session):
    """0.025 eV is half the bias of 50 mV that the demo's ramps are recorded at."""
    plan = Plan(barrier=BarrierPlan(correct=["bias"]))
    corrected = sts.analyse(session, plan).barrier
    tips = corrected.tips
    assert_allclose(tips["barrier_eV"], analysis.barrier.tips["barrier_eV"])
    assert_allclose(tips["barrier_corrected_eV"] - tips["barrier_eV"], 0.025, atol=1e-9)
    assert any("corrected for bias by model" in note for note in corrected.notes)
