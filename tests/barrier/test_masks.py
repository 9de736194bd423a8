"""What is masked, and that the rest still gives the barrier."""

from __future__ import annotations

from sts.barrier import fit_barrier
from sts.simulate import Bench, simulate_iz


def test_saturated_samples_are_masked_and_the_barrier_stays_right():
    made = simulate_iz(barrier_eV=4.4, current_A=3e-8, height=(0, 0.45e-9, 200), sweeps=50, seed=2, tip="t",
                       bench=Bench(white_A=1e-12, gap_noise=0.01, full_scale_A=1e-8))  # fmt: skip
    fit = fit_barrier(made.sweeps)
    assert all("saturated" in f for f in fit.table["flags"])
    assert fit.table["used"].all()
    assert abs(fit.table["barrier_eV"].median() / 4.4 - 1) < 0.005
