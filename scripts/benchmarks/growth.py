"""How time grows with the number of sweeps (64 to 262,144) and of points (32 to 4,096), for both paths.

``slope`` is the slope of log time against log size over the larger sizes, where what a call costs at least no longer
counts: 1 is in proportion. The window of the smoothing stays at 25 points.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from _timing import Bound, shortest

from benchmarks import barrier, spectra
from sts.barrier import fit_barrier
from sts.spectra import spectra_of_grid

TITLE = "Growth with the number of sweeps and of points"
SWEEPS = tuple(4**k for k in range(3, 10))  # 64 to 262,144, of 256 points
POINTS = tuple(2**k for k in range(5, 13))  # 32 to 4,096, of 1,024 sweeps
BOUNDS: dict[str, Bound] = {
    "I(z) slope with sweeps": 1.1,
    "I(z) slope with points": 1.2,
    "I(V) slope with sweeps": 1.15,
    "I(V) slope with points": 1.15,
}


def run(quick: bool = False) -> dict[str, float]:
    """Measure; quick leaves out the three largest numbers of sweeps and the two largest of points."""
    sweeps, points = (SWEEPS[:-3], POINTS[:-2]) if quick else (SWEEPS, POINTS)
    result: dict[str, float] = {}
    for path, timed in (("I(z)", _fit), ("I(V)", _differentiate)):
        for what, sizes in (("sweeps", sweeps), ("points", points)):
            times = [timed(n, 256) if what == "sweeps" else timed(1024, n) for n in sizes]
            result |= {f"{path} seconds with {n} {what}": t for n, t in zip(sizes, times, strict=True)}
            late = slice(-4, None)
            result[f"{path} slope with {what}"] = float(np.polyfit(np.log(sizes[late]), np.log(times[late]), 1)[0])
    return result


def _fit(sweeps: int, points: int) -> float:
    made = barrier.grid(sweeps, points)
    return _timed(lambda: fit_barrier(made), sweeps * points)


def _differentiate(sweeps: int, points: int) -> float:
    current, smoother = spectra.grid(sweeps, points)
    return _timed(lambda: spectra_of_grid(current, smoother), sweeps * points)


def _timed(call: Callable[[], object], samples: int) -> float:
    return shortest(call, 2 if samples > 1e7 else 5)
