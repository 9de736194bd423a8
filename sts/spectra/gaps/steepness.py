"""How steeply dI/dV rises: what no tip without a gap can show at its temperature."""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy.special import ndtri


def steepest_rise(bias: Any, didv: Any, didv_se: Any) -> tuple[float, float]:
    """Steepest rise of dI/dV away from zero bias that noise leaves certain: volts per decade, and where [V].

    Parameters
    ----------
    bias, didv, didv_se : array_like, shape (n,)
        Bias [V], dI/dV and its standard uncertainty.

    Returns
    -------
    (rise, place)
        NaN where there is none.

    Notes
    -----
    The steepest of many noisy slopes is steep by chance, so every slope counts with so many standard uncertainties less
    that chance alone passes once in a hundred spectra.
    An ungapped tip cannot rise faster than a decade per kT ln10/e (58 mV at 295 K, 15 mV at 77 K).
    """
    v, g, se = (np.asarray(a, float) for a in (bias, didv, didv_se))
    clear = np.isfinite(g) & (g > 6 * se) & (g > 0)
    with np.errstate(invalid="ignore", divide="ignore"):
        slope = np.diff(np.log10(np.where(clear, g, np.nan))) / np.diff(v) * np.sign(v[1:] + v[:-1])
        noise = np.hypot(se[1:] / g[1:], se[:-1] / g[:-1]) / np.log(10) / np.diff(v)
    certain = np.nan_to_num(slope + ndtri(0.01 / slope.size) * noise, nan=-np.inf)
    best = int(np.argmax(certain))
    if not certain[best] > 0:
        return float("nan"), float("nan")
    return float(1 / certain[best]), float((v[best] + v[best + 1]) / 2)
