"""The fit of a set in blocks."""

from __future__ import annotations

import numpy as np
from barrier.examples import VACUUM

from sts.barrier import fit_barrier
from sts.plan import Plan
from sts.simulate import simulate_iz


def test_blocks_do_not_show_in_the_result():
    plan = Plan()
    made = simulate_iz(barrier_eV=4.4, height=(0, 0.36e-9, 1200), sweeps=150, bench=VACUUM, seed=8, tip="t").sweeps
    whole = fit_barrier(made, plan).table["barrier_eV"]  # 109 rows a block: two blocks
    assert np.isfinite(whole).all()
    assert abs(whole.median() / 4.4 - 1) < 0.005
