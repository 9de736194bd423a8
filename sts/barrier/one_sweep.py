"""One sweep through lmfit: the same model by an independent fitter, with profile-likelihood intervals on request."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.special import ndtri

from sts.barrier.bent_ramps import HELD
from sts.barrier.fit import BarrierFit
from sts.quantities import barrier_from_decay, decay_from_barrier

if TYPE_CHECKING:
    import lmfit

SLOW = 1.1  # times the uncertainty for independent samples, from which on a likelihood misleads


@dataclass(frozen=True, eq=False)
class SingleBarrier:
    """Fit of one sweep.

    Attributes
    ----------
    barrier_eV : float
        Apparent barrier height [eV].
    barrier_se_eV : float
        Its standard uncertainty [eV].
    decay_per_nm : float
        |d ln I/dz| [1/nm].
    decay_se_per_nm : float
        Its standard uncertainty [1/nm].
    offset_A : float
        Fitted zero of the current [A].
    interval_eV : tuple[float, float], optional
        Profile likelihood at the level asked for [eV]; None unless asked for.
    fit : lmfit.minimizer.MinimizerResult
        What lmfit says of it.
    """

    barrier_eV: float
    barrier_se_eV: float
    decay_per_nm: float
    decay_se_per_nm: float
    offset_A: float
    interval_eV: tuple[float, float] | None
    fit: lmfit.minimizer.MinimizerResult


def fit_barrier_single(
    height: Any,
    current: Any,
    current_sd: Any,
    *,
    start_eV: float = 4.0,
    profile: bool = False,
    confidence: float = 0.95,
) -> SingleBarrier:
    """Fit I = A exp(-2κz) + offset to one sweep.

    Parameters
    ----------
    height : array_like, shape (n,)
        Height [m].
    current, current_sd : array_like, shape (n,)
        Current and its standard deviation [A], for example from the noise of `fit_barrier`; NaN is left out.
    start_eV : float
        Where to start.
    profile : bool
        Whether to find the interval from the likelihood profiled over the other parameters; it is asymmetric where
        the sweep says little, and slower.
    confidence : float

    Returns
    -------
    SingleBarrier
        Uncertainties scaled with the sweep's own reduced chi², as in `fit_barrier`.

    Raises
    ------
    ValueError
        If fewer than five samples are finite.
    """
    import lmfit  # slow to import

    z, y, s = (np.asarray(a, float) for a in (height, current, current_sd))
    good = np.isfinite(z) & np.isfinite(y) & (s > 0)
    if good.sum() < 5:
        raise ValueError(f"{good.sum()} usable samples; a fit of three parameters needs at least 5.")
    z, y, s = z[good], y[good], s[good]
    scale = float(np.max(np.abs(y)))
    x = (z - z[0]) * 1e9

    def residual(p: lmfit.Parameters) -> Any:
        return (y / scale - p["amplitude"] * np.exp(-p["decay"] * x) - p["offset"]) / (s / scale)

    parameters = lmfit.Parameters()
    parameters.add("amplitude", value=float(y[0] / scale))
    parameters.add("decay", value=float(decay_from_barrier(start_eV)) * 1e-9)
    parameters.add("offset", value=0.0)
    fitter = lmfit.Minimizer(residual, parameters)
    result = fitter.minimize(method="leastsq", ftol=1e-14, xtol=1e-14)
    decay, se = result.params["decay"].value, result.params["decay"].stderr or float("nan")
    interval = None
    if profile:
        sigma = lmfit.conf_interval(fitter, result, p_names=["decay"], sigmas=[confidence])["decay"]
        low, high = sigma[0][1], sigma[-1][1]
        interval = (float(barrier_from_decay(low * 1e9)), float(barrier_from_decay(high * 1e9)))
    return SingleBarrier(
        barrier_eV=float(barrier_from_decay(decay * 1e9)),
        barrier_se_eV=float(barrier_from_decay(1e9) * 2 * abs(decay) * se),
        decay_per_nm=decay,
        decay_se_per_nm=se,
        offset_A=result.params["offset"].value * scale,
        interval_eV=interval,
        fit=result,
    )


def profile_sweep(fits: Sequence[BarrierFit], sweep: str, *, confidence: float = 0.95) -> SingleBarrier:
    """Fit one sweep of a batch anew, with its interval from the profile likelihood and the noise found for the batch.

    Parameters
    ----------
    fits : sequence of BarrierFit
        In which the sweep is looked for.
    sweep : str
        Its name.
    confidence : float
        Level of the interval, 0 to 1.

    Raises
    ------
    ValueError
        If no such sweep was fitted, its fit failed, its noise is slow (the likelihood takes samples for independent), or the
        converter's steps are larger than its noise.
    """
    for fit in fits:
        rows = np.flatnonzero(fit.table["sweep"].to_numpy() == sweep)
        if rows.size:
            row, batch = int(rows[0]), fit.fits
            if not batch.good[row]:
                raise ValueError(f"The fit of '{sweep}' failed ({fit.table['flags'][row]}); it has no interval.")
            if batch.rounded[row]:
                raise ValueError(
                    f"The steps of the converter are larger than the noise of '{sweep}', and this likelihood takes readings for "
                    "currents. The interval of the batch takes each for the interval it stands for."
                )
            current = np.where(fit.used_points[row], fit.current[row], np.nan)
            start = float(barrier_from_decay(batch.decay[row]))
            found = fit_barrier_single(
                fit.height, current, fit.deviation[row], start_eV=start, profile=True, confidence=confidence
            )
            motion = HELD * fit.table["decay_motion_per_nm"][row]  # of the piezo, of which the samples say nothing
            if np.hypot(SLOW * found.decay_se_per_nm, motion) < batch.decay_se[row] * 1e-9:
                raise ValueError(
                    f"The noise of '{sweep}' is slow, and a likelihood takes samples for independent: its interval would be "
                    "too narrow. That of the batch allows for it."
                )
            return _moved(found, 2 * found.barrier_eV * motion / found.decay_per_nm, confidence)
    raise ValueError(f"There is no I(z) sweep '{sweep}'; 'sts list' shows the names.")


def _moved(found: SingleBarrier, motion_eV: float, confidence: float) -> SingleBarrier:
    """With what the piezo may do in the interval: either side and that in quadrature."""
    assert found.interval_eV is not None
    low, high = found.interval_eV
    more = float(ndtri(0.5 + confidence / 2)) * motion_eV
    interval = (
        found.barrier_eV - np.hypot(found.barrier_eV - low, more),
        found.barrier_eV + np.hypot(high - found.barrier_eV, more),
    )
    return replace(found, interval_eV=(float(interval[0]), float(interval[1])))
