"""How fast and how lean the barrier fit is: 65,536 sweeps of 256 points against a loop over sweeps with lmfit.

`run` returns, with the bound of each in `BOUNDS`:

- ``times_faster``: a loop over sweeps with `fit_barrier_single` over `fit_barrier`. The loop is told the noise terms; as
  the weights belong to the fitted curve it fits thrice, first with equal weights. It is timed on 100 sweeps.
- ``times_faster_told_weights``: the same, where the loop is told the weights, fits once and starts at the truth.
- ``copies``: time of `fit_barrier` over the time to copy the array of currents in memory once (into memory that is
  already there).
- ``memory_over_array_MB``: peak of the process during the fit, less what it held before, with the currents in it.
"""

from __future__ import annotations

import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from sts.fitting import fit_barrier
from sts.fitting.barrier_single import SingleBarrier, fit_barrier_single
from sts.simulate import Bench, simulate_iz
from sts.sweeps import SweepSet

TITLE = "Barrier fit: a grid of sweeps"
BOUNDS = {"times_faster": (50.0, np.inf), "copies": (0.0, 400.0), "memory_over_array_MB": (0.0, 300.0)}

BENCH = Bench(white_A=1e-12, gap_noise=0.01)
HEIGHT = (0.0, 0.36e-9, 256)


def grid(sweeps: int) -> SweepSet:
    """An invented grid of sweeps with one tip."""
    return simulate_iz(barrier_eV=4.4, height=HEIGHT, sweeps=sweeps, bench=BENCH, seed=1, tip="heron").sweeps


def run(quick: bool = False) -> dict[str, float]:
    """Measure; 65,536 sweeps, or a sixteenth of that."""
    sweeps = 4096 if quick else 65536
    memory = _memory(sweeps)
    made = grid(sweeps)
    fitting = min(_time(lambda: fit_barrier(made)) for _ in range(2))
    target = np.empty_like(made.current)
    copying = min(_time(lambda: np.copyto(target, made.current)) for _ in range(7))
    some = made.current[:100]
    loop = _time(lambda: [reweighted(made.axis, row) for row in some]) / len(some) * sweeps
    deviation = np.hypot(BENCH.white_A, BENCH.gap_noise * some.mean(axis=0))
    once = _time(lambda: [fit_barrier_single(made.axis, row, deviation, start_eV=4.4) for row in some])
    return {
        "seconds": fitting,
        "times_faster": loop / fitting,
        "times_faster_told_weights": once / len(some) * sweeps / fitting,
        "copies": fitting / copying,
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


def _time(call: Callable[[], object]) -> float:
    start = time.perf_counter()
    call()
    return time.perf_counter() - start


def _memory(sweeps: int) -> float:
    """Peak resident memory of the fit beyond what stood before it, in a process of its own [MB]; NaN if not known."""
    code = f"import sys; sys.path.insert(0, {str(Path(__file__).parent)!r}); import barrier; barrier.peak({sweeps})"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return float(done.stdout)


def peak(sweeps: int) -> None:
    """Print how far the resident memory rises while the sweeps are fitted [MB]."""
    made = grid(sweeps)
    fit_barrier(made.select(np.arange(64)))  # what imports and first calls take is not the fit's
    before, highest, done = _resident_MB(), 0.0, threading.Event()

    def watch() -> None:
        nonlocal highest
        while not done.is_set():
            highest = max(highest, _resident_MB())
            time.sleep(0.005)

    watcher = threading.Thread(target=watch)
    watcher.start()
    kept = fit_barrier(made)
    done.set()
    watcher.join()
    print(max(highest, _resident_MB()) - before if len(kept.table) else np.nan)


def _resident_MB() -> float:
    status = Path("/proc/self/statm")  # Linux only
    return int(status.read_text().split()[1]) * 4096 / 1e6 if status.exists() else float("nan")
