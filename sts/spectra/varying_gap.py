"""Spectra taken at a varying gap, brought to constant separation before they are differentiated."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def to_constant_separation(
    bias: Any, current: Any, *, gap_slope_m_per_V: float, decay_per_m: float, decay_se_per_m: float = float("nan")
) -> tuple[Array, Array]:
    """The current at the separation of 0 V, from sweeps in which the gap was s0 + a|V|.

    Parameters
    ----------
    bias : array_like, shape (n,)
        Bias [V].
    current : array_like, shape (..., n)
        Current as measured, offset removed [A].
    gap_slope_m_per_V : float
        a: by how much the gap was wider per volt of |V| [m/V]; 1 Å/V is 1e-10.
    decay_per_m : float
        |d ln I/dz| = 2κ [1/m], from I(z) at the same site.
    decay_se_per_m : float
        Its standard uncertainty.

    Returns
    -------
    (ndarray, ndarray)
        Current at constant separation, shape of `current`; relative standard uncertainty of the factor, shape (n,): it is
        common to all sweeps, so that averaging does not reduce it.

    Raises
    ------
    ValueError
        If the decay is not known: without it the sweep must not be differentiated.

    Notes
    -----
    I_c = I_m exp(+2κ a|V|), as the tip is closest at V = 0, where a gap lets least current through: P. Mårtensson and
    R. M. Feenstra, Phys. Rev. B 39, 7744 (1989). Differentiating I_m itself takes 2κ a|V| off (dI/dV)/(I/V) and can turn
    the conductance negative. At 2 V, 1 Å/V and 2κ = 2 per Å the factor is 55, and 10 % in κ are 49 %.
    """
    if not (np.isfinite(decay_per_m) and decay_per_m > 0):
        raise ValueError(
            "These sweeps were taken with a varying gap (gap_slope), but no decay of the current is known for this "
            "site. Record I(z) at the same site, or state spectra.decay_per_nm in the plan; without it dI/dV would be "
            "wrong."
        )
    v = np.abs(np.asarray(bias, float))
    factor = np.exp(decay_per_m * gap_slope_m_per_V * v)
    relative = np.abs(gap_slope_m_per_V) * v * (decay_se_per_m if np.isfinite(decay_se_per_m) else 0.0)
    return np.asarray(current, float) * factor, np.asarray(relative)
