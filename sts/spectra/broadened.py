"""The normalised conductance with broadened I/V, which runs through a gap: width by a stated rule, band, and where to trust it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from sts.plan import SpectraPlan
from sts.spectra.bands import Means
from sts.spectra.normalised import broadening, chord, is_zero
from sts.spectra.spectrum import Broadened
from sts.spectra.units import Whole

Array = NDArray[np.float64]

MOVED_LEAST = (
    2.0  # by which the broadened I/V must exceed what the offsets found move it by (common practice, no source)
)


def broadened_quotient(
    bias: Array,
    means: Means,
    trusted: NDArray[np.bool_],
    plan: SpectraPlan,
    resolution_V: float,
    *,
    current_offset_A: float,
    bias_offset_V: float,
) -> Broadened | None:
    """dI/dV over I/V convolved with a kernel, beside the plain form; None where the plan asks for another.

    Parameters
    ----------
    bias : numpy.ndarray, shape (k,)
        Of the points kept, offset removed [V].
    means : Means
        On the same points.
    trusted : numpy.ndarray of bool, shape (k,)
        Where the plain form is.
    plan : SpectraPlan
        Kernel (`beside`) and its width (`broadening_V`).
    resolution_V : float
        Of the spectrum [V].
    current_offset_A, bias_offset_V : float
        As found, before they were removed [A], [V]; NaN if unknown.

    Returns
    -------
    Broadened or None
        Low and high are the value itself: the band is made where it is known how many sweeps have each point.

    Notes
    -----
    I/V goes to zero in a gap and the plain form is nothing over nothing there. Convolved with a kernel about as wide as the
    gap it stays finite (exponential kernel: P. Mårtensson and R. M. Feenstra, Phys. Rev. B 39, 7744, 1989; R. M. Feenstra,
    Phys. Rev. B 50, 4561, 1994; another cure, a floor under I/V: M. Prietsch, A. Samsavar, R. Ludeke, Phys. Rev. B 43,
    11850, 1991; all from memory). Feenstra takes a factor exp(a|V|) off before the convolution; that is not done here.
    Zeros and shape of the gap stay where they are, heights outside depend on the width, which is why it is stated.

    It is trusted where the offsets that were found would move the broadened I/V by less than half: I0/V and V0 (I/V)/V go
    through the kernel as the current does, and nearly cancel around V = 0, since they are odd there. Their removal leaves a
    tenth or so, which is then 5 % of the height, and nothing where dI/dV is zero.
    """
    if plan.normalise != "plain" or plan.beside == "none":
        return None
    width, why = _width(bias, trusted, plan, resolution_V)
    made = means.quotient(bias, kind=plan.beside, broadening_V=width)
    inverse = np.where(is_zero(bias), 0.0, 1 / np.where(is_zero(bias), 1.0, bias))
    kernel = broadening(bias, width, plan.beside)
    moved = abs(np.nan_to_num(current_offset_A)) * np.abs(kernel @ inverse)
    moved += abs(np.nan_to_num(bias_offset_V)) * np.abs(kernel @ (chord(bias, means.smooth, means.didv) * inverse))
    good = made.firm & np.isfinite(made.value) & (np.abs(made.below) >= MOVED_LEAST * moved)
    return Broadened(made.value, made.se, made.value, made.value, good, plan.beside, width, why)


def on_whole_axis(
    beside: Broadened | None, whole: Whole, there: NDArray[np.bool_], wider: Array, quantile: float
) -> Broadened | None:
    """The broadened form with its band on the whole axis of its spectrum.

    Parameters
    ----------
    beside : Broadened, optional
        On the points kept.
    whole : Whole
        Puts them back.
    there : numpy.ndarray of bool, shape (k,)
        Where every sweep has a sample.
    wider : numpy.ndarray, shape (k,)
        Of `few_there`.
    quantile : float
        Half a band in standard uncertainties.
    """
    if beside is None:
        return None
    value, se = beside.value, beside.se * wider
    return replace(
        beside,
        value=whole(value),
        se=whole(se),
        low=whole(value - quantile * se),
        high=whole(value + quantile * se),
        trusted=whole.mask(beside.trusted & there),
    )


def widened_by_factor(
    beside: Broadened | None, bias: Array, current: Array, didv: Array, relative: Array, *, reach: float
) -> Broadened | None:
    """The broadened form with the uncertainty that a factor f(V), common to all sweeps, adds to it.

    Parameters
    ----------
    beside : Broadened, optional
        Of the corrected current.
    bias, current, didv : numpy.ndarray, shape (n,)
        [V], [A], [S]; NaN where a point has no sample.
    relative : numpy.ndarray, shape (n,)
        Standard uncertainty of f over f.
    reach : float
        Half a band in standard uncertainties that are normal.

    Notes
    -----
    N = g/q with δg = g r + I dr/dV and δq the broadened r I/V, r = δf/f: δN = (δg - N δq)/q to first order.
    """
    if beside is None:
        return None
    good = np.isfinite(current) & np.isfinite(didv) & np.isfinite(beside.value)
    more = np.full(bias.shape, np.nan)
    v, i, g, r = bias[good], current[good], didv[good], relative[good]
    slope = g * r + i * np.gradient(relative, bias)[good]
    kernel = broadening(v, beside.width_V, beside.kind)
    below, moved = kernel @ chord(v, i, g), kernel @ chord(v, i * r, slope)
    with np.errstate(divide="ignore", invalid="ignore"):
        more[good] = np.abs((slope - beside.value[good] * moved) / below)
    half = [np.hypot(side, reach * more) for side in (beside.value - beside.low, beside.high - beside.value)]
    return replace(beside, se=np.hypot(beside.se, more), low=beside.value - half[0], high=beside.value + half[1])


def _width(bias: Array, trusted: NDArray[np.bool_], plan: SpectraPlan, resolution_V: float) -> tuple[float, str]:
    """Width of the kernel [V] and what chose it: the plan, the stretch without trust, or the resolution where that is wider."""
    if plan.broadening_V is not None:
        return plan.broadening_V, "set in the plan"
    sides = [np.abs(bias[trusted & side]) for side in (bias < 0, bias > 0)]
    stretch = sum(float(side.min()) for side in sides if side.size)
    why = "the stretch where I/V alone cannot be trusted"
    if not stretch:
        stretch, why = float(np.ptp(bias)) / 2, "half of the range, since I/V alone can be trusted nowhere"
    if resolution_V > stretch:
        stretch, why = resolution_V, "the energy resolution, which is wider than the stretch without trust"
    return (stretch, why) if plan.beside == "gaussian" else (stretch / 2, f"half of {why}")
