"""How the barrier moves with the window: the choices a person would have made by hand, shown."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from sts.barrier import exponential as engine
from sts.barrier.blocks import Array, Mask, blocks, take
from sts.barrier.fit import BarrierFit
from sts.curves.distributions import student_quantile
from sts.quantities import barrier_from_decay

CUTS = ((0.0, 1.0), (0.05, 1.0), (0.1, 1.0), (0.15, 1.0), (0.2, 1.0), (0.25, 1.0), (0.0, 0.95), (0.0, 0.9), (0.0, 0.85),
        (0.0, 0.8), (0.0, 0.75))  # fmt: skip


def window_sensitivity(fit: BarrierFit) -> pd.DataFrame:
    """Barrier of every sweep with part of the range cut off at one end.

    Parameters
    ----------
    fit : BarrierFit

    Returns
    -------
    pandas.DataFrame
        `sweep`, `lower_cut_nm`, `upper_cut_nm` (the heights that were kept), `barrier_eV`; a row for every sweep and
        cut of `CUTS`.

    Notes
    -----
    The weights are those of the full fit, so that only the window changes. Data that follow the model scatter flat
    within the uncertainty; an offset that drifts, contact or a compliant gap make a slope.
    """
    barriers = np.empty((len(CUTS), len(fit.table)))
    for rows in blocks(*fit.current.shape):
        barriers[:, rows] = _of_block(fit.of(rows))
    near, span = fit.height[0], float(np.ptp(fit.height))
    parts = [
        pd.DataFrame(
            {
                "sweep": fit.table["sweep"],
                "lower_cut_nm": (near + lower * span) * 1e9,
                "upper_cut_nm": (near + upper * span) * 1e9,
                "barrier_eV": barrier,
            }
        )
        for (lower, upper), barrier in zip(CUTS, barriers, strict=True)
    ]
    return pd.concat(parts, ignore_index=True)


def _of_block(fit: BarrierFit) -> Array:
    """The barriers of some sweeps under each of `CUTS`, shape (cuts, k)."""
    u, span = engine.scaled_height(fit.height)
    fits, good = fit.fits, fit.fits.good
    amplitude, decay, offset = (
        np.where(good, values, fill)
        for values, fill in ((fits.amplitude, 1.0), (fits.decay * span, 1.0), (fits.offset, 0.0))
    )
    start = engine.Exponential(amplitude, decay, offset, good)
    current = np.where(fit.used_points, fit.current, 0.0)
    weight = np.where(fit.used_points & good[:, None], 1.0 / np.where(good[:, None], fit.deviation, 1.0) ** 2, 0.0)
    found = []
    for lower, upper in CUTS:
        inside = engine.Samples(u, current, weight * ((u >= lower) & (u <= upper)))
        moved = engine.fit(start, inside, lambda signal, rows: np.ones_like(signal)).curve
        found.append(np.where(moved.good, barrier_from_decay(moved.decay / span), np.nan))
    return np.array(found)


@dataclass(frozen=True, eq=False)
class WindowFit:
    """The fit of one sweep over another window, with the noise that was found for all."""

    barrier_eV: float
    barrier_low_eV: float
    barrier_high_eV: float
    offset_A: float
    fitted_A: Array  # (n,) over the whole axis; NaN where the fit failed
    used_points: Mask  # (n,)


def fit_window(fit: BarrierFit, row: int, usable: Mask, *, confidence: float = 0.95) -> WindowFit:
    """Fit one sweep anew over other samples, at once: the weights follow the curve, the noise stays.

    Parameters
    ----------
    fit : BarrierFit
        Of m sweeps on n heights.
    row : int
        Which of them.
    usable : ndarray of bool, shape (n,)
        Samples to be used.
    confidence : float
        Level of the interval, 0 to 1.

    Notes
    -----
    For a look while a window is dragged: the noise is not found again, slow noise widens the interval as in the full fit,
    and where the bench tells the zero of the current the offset stays at it. Released, the session is measured again.
    """
    u, span = engine.scaled_height(fit.height)
    one = take(fit.fits, slice(row, row + 1))
    there = np.isfinite(fit.current[row]) & usable
    known = np.column_stack([one.offset, 1.0 / one.offset_se**2]) if one.decay_common[0] != 0 else None
    samples = engine.Samples(u, np.where(there, fit.current[row], 0.0)[None], there[None].astype(float), known)
    made = engine.fit(engine.start(samples), samples, one.noise.variance)
    normal = samples.equations(made.curve, made.products, np.ones((u.size, 1)))
    freedom = max(int(there.sum()) - engine.PARAMETERS, 1)
    chi2 = float(np.vecdot(made.products.wr, made.products.residual)[0]) / freedom
    decay = float(made.curve.decay[0]) / span
    variance = engine.inverse(normal[0][:, 0])[0, 2, 2] * max(chi2, 1e-300) * one.inflation[0]
    reach = float(student_quantile(0.5 + confidence / 2, min(freedom, one.dof[0]))) * np.sqrt(variance) / span
    good = bool(made.curve.good[0])
    barrier, low, high = (
        float(barrier_from_decay(value)) if good else np.nan
        for value in (decay, max(abs(decay) - reach, 0.0), abs(decay) + reach)
    )
    curve = made.products.signal[0] + made.curve.offset[0] + fit.of([row]).lines[0]
    return WindowFit(
        barrier_eV=barrier,
        barrier_low_eV=low,
        barrier_high_eV=high,
        offset_A=float(made.curve.offset[0]) if good else np.nan,
        fitted_A=curve if good else np.full(u.size, np.nan),
        used_points=there,
    )
