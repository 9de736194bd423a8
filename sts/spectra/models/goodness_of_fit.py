"""Is a fit good enough to quote? Reduced chi² and a run test on the residuals; the answer is in words."""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy.special import ndtr

# A fit is poor where any of these pairs is exceeded: (reduced chi² above, p of the run test below).
LIMITS = ((1.5, 1e-6), (3.0, 1e-4), (9.0, np.inf))


def run_test(residual: Any) -> float:
    """p of as few runs of equal sign in the residuals as there are; small where the model misses something smooth.

    A. Wald and J. Wolfowitz, Ann. Math. Stat. 11, 147 (1940), normal approximation with continuity correction.

    Parameters
    ----------
    residual : array_like, shape (n,)
        Over the standard uncertainty.
    """
    sign = np.sign(np.asarray(residual, float))
    sign = sign[np.isfinite(sign) & (sign != 0)]
    plus, minus = int((sign > 0).sum()), int((sign < 0).sum())
    if plus == 0 or minus == 0:
        return 0.0 if sign.size > 10 else 1.0
    n = plus + minus
    runs = 1 + int(np.count_nonzero(np.diff(sign)))
    mean = 2 * plus * minus / n + 1
    variance = (mean - 1) * (mean - 2) / (n - 1)
    return float(ndtr((runs + 0.5 - mean) / np.sqrt(variance))) if variance > 0 else 1.0


def verdict(residual: Any, parameters: int, *, independent: float, scale: float) -> tuple[str, float, float]:
    """Judge the standardised residuals of a fit.

    Parameters
    ----------
    residual : array_like, shape (n,)
        (data - model)/standard uncertainty.
    parameters : int
    independent : float
        Distance, in points, at which neighbours stop being correlated (smoothing); every so-many-th point enters the run
        test.
    scale : float
        Largest misfit relative to the size of the feature, for the words.

    Returns
    -------
    (str, float, float)
        ``"good"`` or ``"poor: ..."``, reduced chi², p of the run test.
    """
    r = np.asarray(residual, float)
    r = r[np.isfinite(r)]
    chi2 = float(r @ r) / max(r.size - parameters, 1)
    p = run_test(r[:: max(1, round(independent))])
    if any(chi2 > largest and p < smallest for largest, smallest in LIMITS):
        return f"poor: reduced chi² {chi2:.3g}, run test p = {p:.1g}, misfit up to {100 * scale:.1f} %", chi2, p
    return "good", chi2, p
