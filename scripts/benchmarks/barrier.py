"""How fast and how lean the barrier fit is: 65,536 sweeps of 256 points against a loop over sweeps with lmfit.

- ``times_faster``: a loop over sweeps with `fit_barrier_single` over `fit_barrier`. The loop is told the noise terms; as
  the weights belong to the fitted curve it fits thrice, first with equal weights. It is timed on 100 sweeps.
- ``times_faster_told_weights``: the same, where the loop is told the weights, fits once and starts at the truth.
- ``copies``: time of `fit_barrier` over the time to copy the array of currents in memory once (into memory that is
  already there); ``exps``: the same over `numpy.exp` of the array.
- ``memory_over_array_MB``: peak of the process during the fit, less what it held before, with the currents in it.
"""

from __future__ import annotations

import numpy as np
from _timing import Bound, rise_in_own_process_MB, rise_MB, shortest

from sts.barrier import fit_barrier
from sts.barrier.one_sweep import SingleBarrier, fit_barrier_single
from sts.simulate import Bench, simulate_iz
from sts.sweeps import SweepSet

TITLE = "I(z): a grid of sweeps"
BOUNDS: dict[str, Bound] = {"times_faster": (50.0, np.inf), "copies": 400.0, "memory_over_array_MB": 300.0}

BENCH = Bench(white_A=1e-12, gap_noise=0.01)


def grid(sweeps: int, points: int = 256) -> SweepSet:
    """An invented grid of sweeps with one tip."""
    height = (0.0, 0.36e-9, points)
    return simulate_iz(barrier_eV=4.4, height=height, sweeps=sweeps, bench=BENCH, seed=1, tip="heron").sweeps


def run(quick: bool = False) -> dict[str, float]:
    """Measure; 65,536 sweeps, or a sixteenth of that."""
    sweeps = 4096 if quick else 65536
    memory = rise_in_own_process_MB("barrier", sweeps)
    made = grid(sweeps)
    fitting = shortest(lambda: fit_barrier(made))
    target = np.empty_like(made.current)
    some = made.current[:100]
    loop = shortest(lambda: [reweighted(made.axis, row) for row in some], 1) / len(some) * sweeps
    deviation = np.hypot(BENCH.white_A, BENCH.gap_noise * some.mean(axis=0))
    once = shortest(lambda: [fit_barrier_single(made.axis, row, deviation, start_eV=4.4) for row in some], 1)
    return {
        "seconds": fitting,
        "times_faster": loop / fitting,
        "times_faster_told_weights": once / len(some) * sweeps / fitting,
        "copies": fitting / shortest(lambda: np.copyto(target, made.current), 7),
        "exps": fitting / shortest(lambda: np.exp(made.current, out=target), 7),
        "memory_over_array_MB": memory,
    }


def reweighted(height: np.ndarray, current: np.ndarray) -> SingleBarrier:
    """One sweep fitted with the weights of its own curve, by the library."""
    deviation = np.full(current.shape, BENCH.white_A)
    for _ in range(3):
        found = fit_barrier_single(height, current, deviation)
        signal = current - found.offset_A - found.fit.residual * deviation
        deviation = np.hypot(BENCH.white_A, BENCH.gap_noise * signal)
    return found


def peak(sweeps: int) -> float:
    """How far the resident memory rises while the sweeps are fitted [MB]."""
    made = grid(sweeps)
    fit_barrier(made.select(np.arange(64)))  # what imports and first calls take is not the fit's
    return rise_MB(lambda: fit_barrier(made))
