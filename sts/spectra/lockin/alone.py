"""The spectrum of a lock-in channel that was recorded without a current."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtri

from sts.curves.averaging import average_units, fill_missing, unit_means
from sts.curves.distributions import student_quantile
from sts.curves.electronics import noise_level
from sts.curves.replicates import direction_signs
from sts.flags import join_flags
from sts.plan import Plan
from sts.spectra.half_difference import half_differences
from sts.spectra.offsets import UNKNOWN
from sts.spectra.spectrum import Spectrum
from sts.spectra.units import Whole, hole_note, note_rows, resolution_of, units_of
from sts.sweeps import SweepSet

Array = NDArray[np.float64]


def average_lockin(
    used: SweepSet,
    repeats: NDArray[np.int64],
    plan: Plan,
    keys: dict[str, Any],
    omitted: tuple[str, ...],
    judged: pd.DataFrame,
) -> Spectrum:
    """Average of a lock-in channel recorded without a current: no derivative, no normalisation, no invented unit.

    Parameters
    ----------
    used : SweepSet
        The sweeps that are averaged.
    repeats : numpy.ndarray of int, shape (m,)
        The repeat that each sweep is of.
    plan : Plan
    keys : dict
        What defines the group.
    omitted : tuple of str
        Names of the sweeps left out.
    judged : pandas.DataFrame
        Flags: sweep, flag, detail.

    Raises
    ------
    ValueError
        If there is no channel, or it is a resistance.
    """
    if used.lockin is None or not np.isfinite(used.lockin).any():
        raise ValueError("These sweeps hold neither a current nor a lock-in channel; there is nothing to average.")
    if used.lockin_unit == "ohm":
        raise ValueError(
            "The lock-in channel is a resistance, dV/dI in ohm; it is not taken for dI/dV, and no current was recorded."
        )
    notes: dict[str, str] = {}
    filled = fill_missing(used.lockin)
    signs = direction_signs(used.table, used.kind)
    halves, _ = half_differences(filled.current, signs, repeats)
    even = filled.current - signs[:, None] * halves.mean(axis=0) if len(halves) else filled.current
    each_repeat = unit_means(even, repeats)
    units, kind = units_of(used, each_repeat, repeats, plan.spectra, notes)
    average = average_units(units, plan.spectra.average, seed=plan.spectra.seed)
    whole = Whole(used.axis.size, filled.points)
    if not filled.points.all():
        notes["holes"] = hole_note(filled.points)
    quantile, error = _band(units, average.influence, plan.compare.confidence)
    if len(units) == 1:
        notes["no band"] = (
            f"one {kind}: band from the point-to-point noise, {error[0]:.3g} {used.lockin_unit or '(unit unknown)'} rms"
        )
    unknown = np.full(used.axis.size, np.nan)
    return Spectrum(
        keys=keys,
        bias=used.axis,
        sweeps=tuple(used.names),
        omitted=omitted,
        current=unknown,
        current_se=unknown,
        didv=whole(average.current),
        didv_se=whole(error),
        didv_low=whole(average.current - quantile * error),
        didv_high=whole(average.current + quantile * error),
        normalised=unknown,
        normalised_se=unknown,
        normalised_low=unknown,
        normalised_high=unknown,
        trusted=whole.mask(filled.whole),
        current_each=np.full(used.current.shape, np.nan),
        didv_each=whole(filled.current),
        offsets=replace(UNKNOWN, how="lock-in channel only: no current to find them from"),
        resolution=resolution_of(used, None, None),
        smoothing="none: lock-in channel as recorded",
        didv_unit=used.lockin_unit,
        flags=join_flags([judged[judged["sweep"].isin(used.names)], note_rows(notes)]),
        replicates=kind,
        units=len(units),
    )


def _band(units: Array, influence: Array, confidence: float) -> tuple[float, Array]:
    """Quantile and standard error of the mean: from the scatter of the units, of one from its point-to-point noise."""
    if len(units) > 1:
        error = influence.std(axis=0, ddof=1) / np.sqrt(len(units))
        return float(student_quantile(0.5 + confidence / 2, len(units) - 1)), error
    return float(ndtri(0.5 + confidence / 2)), np.full(units.shape[1], float(noise_level(units)[0]))
