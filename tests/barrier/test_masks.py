"""What is masked, and that the rest still gives the barrier."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from sts.barrier import fit_barrier
from sts.plan import Plan
from sts.simulate import Bench, simulate_iz


def test_saturated_samples_are_masked_and_the_barrier_stays_right():
    made = simulate_iz(barrier_eV=4.4, current_A=3e-8, height=(0, 0.45e-9, 200), sweeps=50, seed=2, tip="t",
                       bench=Bench(white_A=1e-12, gap_noise=0.01, full_scale_A=1e-8))  # fmt: skip
    fit = fit_barrier(made.sweeps)
    assert all("saturated" in f for f in fit.table["flags"])
    assert fit.table["used"].all()
    assert abs(fit.table["barrier_eV"].median() / 4.4 - 1) < 0.005


def test_a_window_of_the_plan_is_what_a_fit_may_use_wherever_the_heights_begin():
    """The same fit as of sweeps that were cut there before they were loaded."""
    made = simulate_iz(barrier_eV=4.4, height=(0, 0.4e-9, 201), sweeps=20, seed=2, tip="t",
                       bench=Bench(white_A=1e-12, gap_noise=0.01)).sweeps  # fmt: skip
    plan = Plan.model_validate({"barrier": {"fit_from_nm": 0.1, "fit_to_nm": 0.3}})
    moved = replace(made, axis=made.axis + 5e-9)
    inside = slice(50, 151)
    cut = replace(made, axis=made.axis[inside], current=made.current[:, inside])
    fit, other, own = fit_barrier(made, plan), fit_barrier(moved, plan), fit_barrier(cut)
    assert (fit.used_points.sum(axis=1) == 101).all()
    np.testing.assert_allclose(fit.table["from_nm"], 0.1)
    np.testing.assert_allclose(fit.table["to_nm"], 0.3)
    np.testing.assert_allclose(other.table["barrier_eV"], fit.table["barrier_eV"], rtol=1e-6)
    np.testing.assert_allclose(own.table["barrier_eV"], fit.table["barrier_eV"], rtol=2e-3)


def test_a_window_that_leaves_nothing_is_said_sweep_by_sweep():
    made = simulate_iz(barrier_eV=4.4, height=(0, 0.4e-9, 201), sweeps=3, seed=2, tip="t").sweeps
    fit = fit_barrier(made, Plan.model_validate({"barrier": {"fit_from_nm": 0.399}}))
    assert set(fit.table["flags"]) == {"too few points"}
    assert not fit.table["used"].any()
