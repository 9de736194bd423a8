"""How fast and how lean a grid of spectra is smoothed, differentiated and normalised: 65,536 of 512 points.

- ``times_loop``: a loop over spectra with scipy's Savitzky-Golay filter, doing the same, over `spectra_of_grid`.
- ``copies``: time of `spectra_of_grid` over the time to copy the array once; ``exps``: over `numpy.exp` of the array.
- ``memory_over_results_MB``: peak of the process during the call, less what it held before and less its two results.
"""

from __future__ import annotations

import numpy as np
from _timing import Bound, rise_in_own_process_MB, rise_MB, shortest
from numpy.typing import NDArray
from scipy.signal import savgol_filter

from sts.curves import make_smoother
from sts.curves.smoothing import Smoother
from sts.spectra import spectra_of_grid

TITLE = "I(V): a grid of spectra"
BOUNDS: dict[str, Bound] = {"copies": 25.0, "times_loop": (40.0, np.inf), "memory_over_results_MB": 100.0}

POINTS, WINDOW = 512, 25


def grid(spectra: int, points: int = POINTS) -> tuple[NDArray[np.float64], Smoother]:
    """An invented grid of spectra, and a smoother with a window of 25 points."""
    bias = np.linspace(-1, 1, points)
    rng = np.random.default_rng(0)
    current = 1e-9 * (bias + bias**3) * rng.uniform(0.5, 2, (spectra, 1))
    current += 1e-12 * rng.standard_normal((1, points))
    return current, make_smoother(bias, width_V=WINDOW * (bias[1] - bias[0]) / np.sqrt(2))


def run(quick: bool = False) -> dict[str, float]:
    """Measure; 65,536 spectra, or an eighth of that."""
    count = 8192 if quick else 65536
    memory = rise_in_own_process_MB("spectra", count)
    current, smoother = grid(count)
    bias = smoother.axis
    step = bias[1] - bias[0]
    few = 1000 if quick else 4000

    def one(row: NDArray[np.float64]) -> NDArray[np.float64]:
        smooth = savgol_filter(row, WINDOW, 2)
        return np.asarray(savgol_filter(row, WINDOW, 2, deriv=1, delta=step) / (smooth / bias))

    np.testing.assert_allclose(spectra_of_grid(current[7], smoother)[1], one(current[7]), rtol=1e-6)
    target = np.empty_like(current)
    blocks = shortest(lambda: spectra_of_grid(current, smoother))
    return {
        "seconds": blocks,
        "times_loop": shortest(lambda: [one(row) for row in current[:few]], 1) * count / few / blocks,
        "copies": blocks / shortest(lambda: np.copyto(target, current), 7),
        "exps": blocks / shortest(lambda: np.exp(current, out=target), 7),
        "memory_over_results_MB": memory,
    }


def peak(spectra: int) -> float:
    """How far the resident memory rises above the two results while they are made [MB]."""
    current, smoother = grid(spectra)
    spectra_of_grid(current[:64], smoother)
    return rise_MB(lambda: spectra_of_grid(current, smoother)) - 2 * current.nbytes / 1e6
