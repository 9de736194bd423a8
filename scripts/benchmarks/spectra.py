"""Speed of smoothing, derivative and normalisation on a grid of spectra, against memory copies and a plain loop."""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np
from scipy.signal import savgol_filter

from sts.processing import make_smoother, spectra_of_grid

TITLE = "I(V): 65,536 spectra of 512 points, smoothed, differentiated and normalised in blocks"
BOUNDS = {"copies": (None, 25.0), "times_loop": (40.0, None)}


def run(quick: bool = False) -> dict[str, float]:
    """Time the steps; ``copies`` and ``times_loop`` are what must stay below 25 and above 40."""
    count, points = (8192 if quick else 65536), 512
    bias = np.linspace(-1, 1, points)
    rng = np.random.default_rng(0)
    current = 1e-9 * (bias + bias**3) * rng.uniform(0.5, 2, (count, 1))
    current += 1e-12 * rng.standard_normal((1, points))
    smoother = make_smoother(bias, width_V=25 * (bias[1] - bias[0]) / np.sqrt(2))  # a window of 25 points
    few = 1000 if quick else 4000
    step = bias[1] - bias[0]

    def loop() -> None:
        for row in current[:few]:
            smooth = savgol_filter(row, 25, 2)
            savgol_filter(row, 25, 2, deriv=1, delta=step) / (smooth / bias)

    target = np.empty_like(current)
    copy_s = _best(lambda: np.copyto(target, current))
    blocks_s = _best(lambda: spectra_of_grid(current, smoother))
    loop_s = _best(loop, repeats=1) * count / few
    expected = savgol_filter(current[7], 25, 2, deriv=1, delta=step) / (savgol_filter(current[7], 25, 2) / bias)
    np.testing.assert_allclose(spectra_of_grid(current[7], smoother)[1], expected, rtol=1e-6)
    return {
        "spectra": float(count),
        "copy_s": copy_s,
        "blocks_s": blocks_s,
        "loop_s": loop_s,
        "copies": blocks_s / copy_s,
        "times_loop": loop_s / blocks_s,
    }


def _best(function: Callable[[], object], repeats: int = 3) -> float:
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        function()
        times.append(time.perf_counter() - start)
    return min(times)


if __name__ == "__main__":
    for name, value in run().items():
        print(f"{name:12s} {value:.4g}")
