"""How large a difference a test shows, and how often."""

from __future__ import annotations

from functools import lru_cache

from scipy import optimize
from scipy.special import ndtri

from sts.comparing.random_effects import t_quantile

SEEN = 0.9  # share of cases in which a difference as large as `smallest_seen` is shown


@lru_cache(maxsize=1 << 10)
def smallest_seen(dof: float, confidence: float, power: float = SEEN) -> float:
    """How many standard uncertainties a difference must have for a t test to show it with this chance.

    Parameters
    ----------
    dof : float
        Degrees of freedom; NaN gives NaN.
    confidence, power : float
        Level of the interval and chance, 0 to 1.

    Notes
    -----
    By the noncentral t distribution (J. Cohen, Statistical Power Analysis for the Behavioral Sciences, 2nd ed. 1988, from
    memory); of the normal one beyond 10,000 degrees of freedom.
    """
    if not dof > 0:
        return float("nan")
    q = float(t_quantile(dof, confidence))
    if dof > 1e4:
        return q + float(ndtri(power))
    from scipy import stats  # slow to import, and wanted only where a test shows nothing

    return float(optimize.brentq(lambda d: float(stats.nct.sf(q, dof, d)) - power, 0.0, 100 * q + 100))
