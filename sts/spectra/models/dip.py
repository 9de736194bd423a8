"""Whether a spectrum has a dip with shoulders at zero bias and low temperature, as a superconducting gap has."""

from __future__ import annotations

import numpy as np
from scipy import ndimage

from sts.spectra.models.fitting import Measured

LEAST_DEPTH = 0.25  # how far dI/dV must fall at zero bias, relative to its level outside, to be tried at all
FEWEST_POINTS = 12


def why_not_tried(measured: Measured, warmest_K: float) -> str:
    """Why no superconducting gap is looked for in a spectrum: too warm, or no dip with shoulders at zero; "" where it is.

    Parameters
    ----------
    measured : Measured
    warmest_K : float
        Above it nothing is tried.

    Notes
    -----
    A dip: dI/dV in the inner quarter of the range falls by a quarter of its level in the outer fifth, and by four of its standard
    uncertainties. Shoulders: on both sides dI/dV between them rises above the outer level by 2 % and two standard
    uncertainties, or, under a dip of 60 % or more, has reached it within 10 % well before the end. A semiconductor's dI/dV
    goes on rising. The limits are common practice, no source.
    """
    temperature = measured.temperature_K
    if not temperature > 0:
        return "the temperature is not recorded"
    if temperature > warmest_K:
        return f"it was taken at {temperature:.3g} K, above {warmest_K:g} K"
    v, g, u = measured.points
    if v.size < FEWEST_POINTS or not v[0] < 0 < v[-1]:
        return "there are too few points on both sides of zero bias"
    distance = np.abs(v) / min(-v[0], v[-1])
    smooth = ndimage.uniform_filter1d(g, 3, mode="nearest")
    sides = [(v < 0) & (distance <= 1), (v > 0) & (distance <= 1)]
    outer = [float(np.median(g[side & (distance > 0.8)])) for side in sides]
    noise, level = float(np.median(u)), float(np.mean(outer))
    fall = level - float(np.min(smooth[distance < 0.25]))
    if not level > 0 or fall < max(LEAST_DEPTH * level, 4 * noise):
        share = f"{100 * max(fall, 0.0) / level:.0f} %" if level > 0 else "not"
        return f"dI/dV falls by {share} around zero bias; a gap needs {100 * LEAST_DEPTH:.0f} % and more than its noise"
    between = (distance > 0.05) & (distance < 0.8)
    peaks = all(
        float(np.max(smooth[side & between])) > 1.02 * end + 2 * noise for side, end in zip(sides, outer, strict=True)
    )
    late = (distance > 0.55) & (distance < 0.8)
    flat = all(abs(float(np.median(g[side & late])) / end - 1) < 0.1 for side, end in zip(sides, outer, strict=True))
    if peaks or (fall > 0.6 * level and flat):
        return ""
    return "its dip at zero bias has no shoulders: dI/dV goes on rising outward"
