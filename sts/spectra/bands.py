"""Current, dI/dV and normalised conductance of an average, and the uncertainty of each."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from sts.curves.averaging import Average
from sts.curves.distributions import student_quantile
from sts.curves.smoothing import Smoother
from sts.plan import Plan, SpectraPlan
from sts.quantities import with_prefix
from sts.spectra.normalised import denominator, normalise
from sts.spectra.varying_gap import falling_ends

Array = NDArray[np.float64]

_FIRM = 5.0  # standard uncertainties by which I/V must differ from zero to be divided by


@dataclass(frozen=True, eq=False)
class Means:
    """Averages on the points kept, with standard uncertainties; `quantile` times these is half a band."""

    current: Array
    current_se: Array
    didv: Array
    didv_se: Array
    normalised: Array
    normalised_se: Array
    below: Array  # denominator of the normalised conductance [S]
    firm: NDArray[np.bool_]  # where that is known well enough to divide by
    quantile: float
    smooth: Array  # current as smoothed for the normalised conductance [A]
    smooth_rows: Array  # (r, k) deviations that carry its uncertainty
    didv_rows: Array  # and those of dI/dV
    rows: Array  # (r, k) the deviations themselves, of the current as it is
    units: int  # of which they are the deviations; of one, rows are white noise at each point

    def quotient(self, bias: Array, **form: Any) -> Quotient:
        """Normalised conductance with any denominator, on the points kept.

        Parameters
        ----------
        bias : numpy.ndarray, shape (k,)
            Offset removed [V].
        **form
            As `normalise` takes it.
        """
        return quotient(bias, (self.smooth, self.smooth_rows), (self.didv, self.didv_rows), form)


@dataclass(frozen=True, eq=False)
class Quotient:
    """dI/dV over a denominator, (k,) each."""

    value: Array
    se: Array
    below: Array  # denominator [S]
    firm: NDArray[np.bool_]  # where that is known well enough to divide by


def derive(
    bias: Array,
    average: Average,
    smoother: Smoother,
    plan: Plan,
    notes: dict[str, str],
    unit: str,
    shared: Array | None = None,
) -> Means:
    """Current with I(0) = 0, dI/dV and normalised conductance, and the uncertainty of each.

    Rows of deviations carry the uncertainty: those of the units, or where there is one unit only, white noise at each
    point as large as the residuals. The variance of anything linear in the current is the sum of squares of what it makes of the
    rows; the normalised conductance N = g/q changes by (δg - N δq)/q to first order.

    Parameters
    ----------
    bias : numpy.ndarray, shape (k,)
        Bias of the points kept [V].
    average : Average
        Of the units, on the same points.
    smoother : Smoother
        On the same points.
    plan : Plan
    notes : dict
        Flag to words; what has to be said is added.
    unit : str
        What one unit is called.
    shared : numpy.ndarray, shape (r, k), optional
        Rows of deviations that all units share, with one standard uncertainty each [A].
    """
    zero = zero_weights(bias, smoother, plan.spectra)
    current = average.current - zero @ average.current
    count = len(average.influence)
    if count > 1:
        quantile = float(student_quantile(0.5 + plan.compare.confidence / 2, count - 1))
        rows = (average.influence - average.influence.mean(axis=0)) / np.sqrt(count * (count - 1))
    else:
        quantile = float(ndtri(0.5 + plan.compare.confidence / 2))
        sigma = _residual_noise(smoother, current)
        rows = sigma * np.eye(bias.size)
        notes["no band"] = (
            f"one {unit}: band from the residuals, {with_prefix(sigma * 1e12, 'pA')} rms; slow noise is not in it"
        )
    if shared is not None and len(shared):  # known without scatter: the quantile of the band is not theirs
        rows = np.concatenate([rows, shared * (ndtri(0.5 + plan.compare.confidence / 2) / quantile)])
    rows = rows - (rows @ zero)[:, None]
    smooth, didv = smoother.apply(current), smoother.differentiate(current)
    smooth_rows, didv_rows = smoother.apply(rows), smoother.differentiate(rows)
    if peaks := falling_ends(bias, smooth, smooth_rows, quantile):
        low, high = (with_prefix(peak, "V") for peak in peaks)
        notes["gap may vary"] = f"the current is largest at {low} and {high}, and falls from there"
    plain = quotient(bias, (smooth, smooth_rows), (didv, didv_rows), denominator_form(plan.spectra))
    return Means(
        current=current,
        current_se=_root_sum_square(rows),
        didv=didv,
        didv_se=_root_sum_square(didv_rows),
        normalised=plain.value,
        normalised_se=plain.se,
        below=plain.below,
        firm=plain.firm,
        quantile=quantile,
        smooth=smooth,
        smooth_rows=smooth_rows,
        didv_rows=didv_rows,
        rows=rows,
        units=count,
    )


def denominator_form(plan: SpectraPlan) -> dict[str, Any]:
    """The denominator of the normalised conductance, as `normalise` takes it.

    Parameters
    ----------
    plan : SpectraPlan
    """
    return {"kind": plan.normalise, "broadening_V": plan.broadening_V or np.nan, "floor_S": plan.floor_S or np.nan}


def quotient(bias: Array, smooth: tuple[Array, Array], didv: tuple[Array, Array], form: dict[str, Any]) -> Quotient:
    """Normalised conductance N = g/q and its uncertainty to first order, (δg - N δq)/q for each row of deviations.

    Parameters
    ----------
    bias : numpy.ndarray, shape (k,)
        Offset removed [V].
    smooth : (ndarray (k,), ndarray (r, k))
        Smoothed current [A] and rows of deviations.
    didv : (ndarray (k,), ndarray (r, k))
        dI/dV [S] and its rows.
    form : dict
        Denominator, as `normalise` takes it.
    """
    current, current_rows = smooth
    slope, slope_rows = didv
    ratio, below = normalise(bias, current, slope, **form)
    step = 1e-4  # a difference quotient: exact for the linear forms, and close enough to a derivative for the root
    below_rows = (denominator(bias, current + step * current_rows, slope + step * slope_rows, **form) - below) / step
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio_se = _root_sum_square((slope_rows - ratio * below_rows) / below)
    firm = np.abs(below) > _FIRM * _root_sum_square(below_rows)
    return Quotient(ratio, np.where(np.isfinite(ratio_se), ratio_se, np.nan), below, firm)


def widened_where_few(means: Means, there: Array, units: int, confidence: float) -> Means:
    """Bands where only a share `there` (k,) of the sweeps has a sample: what was filled in is no repeat.

    So many fewer units are counted, in the scatter of the mean and in Student's t; with fewer than two there is no band.

    Parameters
    ----------
    means : Means
    there : numpy.ndarray, shape (k,)
        Share of the sweeps that has a sample.
    units : int
        How many there are.
    confidence : float
        Of the bands.
    """
    if (there == 1).all():
        return means
    wider = few_there(means.quantile, there, units, confidence)
    return replace(
        means,
        current_se=means.current_se * wider,
        didv_se=means.didv_se * wider,
        normalised_se=means.normalised_se * wider,
    )


def few_there(quantile: float, there: Array, units: int, confidence: float) -> Array:
    """By what standard uncertainties grow where only a share of the sweeps has a sample, (k,); see `widened_where_few`.

    Parameters
    ----------
    quantile : float
        Of a band of all units.
    there : numpy.ndarray, shape (k,)
    units : int
    confidence : float
    """
    if units < 2 or (there == 1).all():
        return np.ones(there.shape)
    counted = np.floor(units * there + 1e-9)
    with np.errstate(divide="ignore", invalid="ignore"):
        reach = student_quantile(0.5 + confidence / 2, np.where(counted >= 2, counted - 1, np.nan)) / quantile
        # What was filled in lies at the middle of the others, and adds nothing to their scatter.
        scatter = np.sqrt((units - 1) / (counted - 1) * units / counted)
        return np.where(counted >= 2, scatter * reach, np.nan)


def zero_weights(bias: Array, smoother: Smoother, plan: SpectraPlan) -> Array:
    """Weights (n,) of the smoothed current at V = 0, which is taken off; none where V = 0 lies outside the sweep.

    Parameters
    ----------
    bias : numpy.ndarray, shape (n,)
        Offset removed [V].
    smoother : Smoother
        On the same points.
    plan : SpectraPlan
        Whether offsets are kept.

    Notes
    -----
    What remains at V = 0 (all of the offset where one set-point cannot separate it, its uncertainty otherwise) counts
    as a current offset: for an ohmic junction the same as a shift of bias, and in a gap the only thing it can be.
    """
    if plan.offsets == "keep" or not bias[0] < 0 < bias[-1]:
        return np.zeros(bias.size)
    right = int(np.searchsorted(bias, 0.0))
    share = -bias[right - 1] / (bias[right] - bias[right - 1])
    return np.asarray((1 - share) * smoother.smooth[right - 1] + share * smoother.smooth[right])


def _root_sum_square(rows: Array) -> Array:
    return np.asarray(np.sqrt((rows**2).sum(axis=0)))


def _residual_noise(smoother: Smoother, current: Array) -> float:
    """Noise [A] from the residuals of smoothing, allowing for the degrees of freedom that smoothing took."""
    residual = current - smoother.apply(current)
    freedom = np.trace((np.eye(len(current)) - smoother.smooth).T @ (np.eye(len(current)) - smoother.smooth))
    return float(np.sqrt(residual @ residual / max(freedom, 1.0)))
