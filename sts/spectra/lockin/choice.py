"""Where dI/dV comes from: the derivative of the current, or the lock-in channel where the plan or its band says so."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sts.curves.averaging import Average, common_value
from sts.curves.smoothing import Smoother, make_smoother
from sts.plan import Plan, SpectraPlan
from sts.spectra.bands import Means, derive
from sts.spectra.didv_source import CURRENT, LOCKIN, DidvSource
from sts.spectra.junction_temperature import junction_temperature
from sts.spectra.lockin.better import why_not
from sts.spectra.lockin.calibrated import Calibrated, calibrate, integrals, source_of, with_lockin
from sts.spectra.rounding import rounding_rows
from sts.spectra.smoothing_width import choose_smoother
from sts.spectra.units import Whole
from sts.sweeps import SweepSet

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Made:
    """Means on the points kept, what smoothed them and why so, and what dI/dV comes from."""

    means: Means
    smoother: Smoother
    criterion: pd.DataFrame | None
    why: str
    source: DidvSource | None = None
    lockin: Calibrated | None = None  # where dI/dV is that of the lock-in channel
    didv_each: Array | None = None  # (m, k) where it is

    def pseudo(self, means: Means) -> Means:
        """The means with the curve that dI/dV is the derivative of in the place of the current.

        Parameters
        ----------
        means : Means
        """
        if self.lockin is None:
            return means
        return replace(means, current=self.lockin.curve, rows=self.lockin.rows)

    def source_on(self, whole: Whole) -> DidvSource | None:
        """The source with its arrays on the whole axis.

        Parameters
        ----------
        whole : Whole
        """
        if self.source is None or self.source.numerical is None or self.source.numerical_se is None:
            return self.source
        return replace(
            self.source, numerical=whole(self.source.numerical), numerical_se=whole(self.source.numerical_se)
        )


def from_current(
    bias: Array,
    average: Average,
    each_repeat: Array,
    plan: Plan,
    temperature: float,
    kind: str,
    notes: dict[str, str],
    read: Array,
) -> Made:
    """The means of the current and its derivative.

    Parameters
    ----------
    bias : numpy.ndarray, shape (k,)
        Of the points kept, offset removed [V].
    average : Average
        Of the current of the units.
    each_repeat : numpy.ndarray, shape (r, k)
        Current of each repeat [A].
    plan : Plan
    temperature : float
        [K]; NaN if unknown.
    kind : str
        What one unit is called.
    notes : dict
        Flag to words; what has to be said is added.
    read : numpy.ndarray, shape (m, k)
        Current of each sweep as recorded, in the steps of the converter [A].
    """
    smoother, criterion, why = _smoother(bias, each_repeat, plan.spectra, temperature, notes)
    shared = rounding_rows(read, smoother)
    return Made(derive(bias, average, smoother, plan, notes, kind, shared), smoother, criterion, why)


def offered(
    made: Made,
    bias: Array,
    kept: tuple[SweepSet, NDArray[np.bool_], NDArray[np.int64]],
    averaged: tuple[Average, Array, str],
    plan: Plan,
    notes: dict[str, str],
) -> Made:
    """With dI/dV of the lock-in channel where the plan asks for it, or where it is the better spectrum; and why.

    Parameters
    ----------
    made : Made
        From the current.
    bias : numpy.ndarray, shape (k,)
        Of the points kept, offset removed [V].
    kept : tuple of (SweepSet, ndarray (n,), ndarray (m,))
        The sweeps, which points of the axis are kept, and the repeat that each sweep is of.
    averaged : tuple of (Average, ndarray (u, k), str)
        Average of the current, the current of its units [A], and what one of them is called.
    plan : Plan
    notes : dict
        Flag to words; what has to be said is added.

    Raises
    ------
    ValueError
        If the plan wants the lock-in channel and it cannot be used.

    Notes
    -----
    The smoothing of the channel is chosen from its own repeats, as that of the current is from its: it may be the narrower one.
    """
    chosen, points, repeats = kept
    average, units, kind = averaged
    if chosen.lockin is None or not np.isfinite(chosen.lockin).any():
        if plan.spectra.didv_from == LOCKIN:
            raise ValueError("The plan wants dI/dV of a lock-in channel; these sweeps have none.")
        return made
    unit, asked = chosen.lockin_unit, plan.spectra.didv_from
    mean = plan.spectra.average == "mean" and not plan.spectra.scale_to_setpoint
    found = (
        integrals(bias, chosen, points, repeats, kind) if mean else "the average is not the plain mean of the sweeps"
    )
    if isinstance(found, str):
        lockin, why = None, found
    else:
        modulation = common_value(chosen.table["modulation_V"])
        lockin = calibrate(bias, found, units, made.smoother, modulation)
        why = why_not(bias, made.means, lockin, made.smoother, modulation)
    if asked == LOCKIN and lockin is None:
        raise ValueError(f"The plan wants dI/dV of the lock-in channel, but {why}. Set 'didv_from = \"auto\"'.")
    if isinstance(found, str) or lockin is None or asked == CURRENT or (why and asked != LOCKIN):
        why = "set in the plan" if asked == CURRENT else why
        return replace(made, source=source_of(CURRENT, why, lockin, unit, None))
    smoother, criterion, chosen_by = _smoother(
        bias, found.repeats, plan.spectra, junction_temperature(chosen.table).value, {}
    )
    base = derive(bias, average, smoother, plan, {}, kind)
    if len(units) == 1:
        notes["no band"] = (
            f"one {kind}: band from the point noise of the lock-in channel and from its calibration; slow noise is not in it"
        )
    numerical = (made.means.didv, made.means.didv_se, made.smoother.asked)
    words = (
        "set in the plan"
        if asked == LOCKIN
        else "it has a smaller uncertainty than the numerical derivative at the same resolution"
    )
    return Made(
        with_lockin(bias, base, lockin, smoother, plan.spectra),
        smoother,
        criterion,
        chosen_by,
        source_of(LOCKIN, words, lockin, unit, numerical),
        lockin,
        smoother.differentiate(lockin.gain * found.each + lockin.zero_S * bias),
    )


def _smoother(
    bias: Array, each_repeat: Array, plan: SpectraPlan, temperature: float, notes: dict[str, str]
) -> tuple[Smoother, pd.DataFrame | None, str]:
    """The smoother, the criterion that chose its width if repeats did, and in words what chose it."""
    if plan.smoothing_width_V is not None:
        smoother = make_smoother(bias, width_V=plan.smoothing_width_V, method=plan.smoothing, order=plan.order)
        return smoother, None, "width set in the plan"
    found = choose_smoother(bias, each_repeat, method=plan.smoothing, order=plan.order, temperature_K=temperature)
    if found[1] is None:
        notes["few repeats"] = found[2]
    return found
