"""A fit that several test files look at."""

from __future__ import annotations

import pytest
from barrier.examples import NO_LOOP, RANGE, VACUUM

from sts.barrier import fit_barrier
from sts.simulate import simulate_iz


@pytest.fixture(scope="session")
def many():
    return fit_barrier(
        simulate_iz(barrier_eV=4.4, height=RANGE, sweeps=600, bench=VACUUM, seed=11, tip="t").sweeps, NO_LOOP
    )
