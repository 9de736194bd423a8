"""The temperature of the electrons, measured: what broadened a superconducting gap that was averaged from sweeps."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sts.plan import Plan
from sts.quantities import thermal_width, with_prefix
from sts.spectra.fit_data import scatter_data
from sts.spectra.models.dip import why_not_tried
from sts.spectra.models.temperature_interval import TemperatureInterval, temperature_interval
from sts.spectra.spectrum import Spectrum
from sts.sweeps import SweepSet

MOST_BESIDE = (
    0.2  # of the thermal width: what else broadens and is not in the line shape; it adds 2 % to the temperature
)


@dataclass(frozen=True, eq=False)
class ElectronTemperature:
    """What a spectrum says of the temperature of the electrons [K]; NaN is not known.

    Attributes
    ----------
    value, se : float
        The temperature and its standard uncertainty; NaN where the spectrum only bounds it, or says nothing.
    low, high : float
        Ends of its interval; 0 or infinite where there is no such end.
    why : str
        Why there is no value; "" where there is one.
    gap_meV, broadening_meV : float
        Δ and Γ fitted with it.
    """

    value: float
    se: float
    low: float
    high: float
    why: str
    gap_meV: float = float("nan")
    broadening_meV: float = float("nan")


def electron_temperature(spectrum: Spectrum, sweeps: SweepSet, plan: Plan) -> ElectronTemperature:
    """The temperature that broadens a superconducting gap: of a normal tip on a superconductor, or the other way about.

    Parameters
    ----------
    spectrum : Spectrum
        Of `average_spectrum`, of three repeats or more.
    sweeps : SweepSet
        The group it was averaged from.
    plan : Plan

    Returns
    -------
    ElectronTemperature

    Notes
    -----
    By `sts.spectra.models.temperature_interval`, with the scatter of repeats (or sites, or tips) for the noise and Student's t of
    their number. Smoothing and the modulation of a lock-in channel are in the line shape; a lag and a common axis are not,
    nor is what a modulation does to the numerical derivative: that depends on how the current was averaged. Noise of the bias
    cannot be told from heat: what is found is the temperature that would broaden as much.
    """
    try:
        measured, dof = scatter_data(spectrum, sweeps, plan)
    except ValueError as error:
        return _nothing(str(error))
    why = why_not_tried(measured, plan.features.superconductor_below_K)
    if not why and sweeps.lockin is not None and not np.isfinite(sweeps.number("modulation_V")).all():
        why = "the modulation of the lock-in is not recorded, and it broadens like heat (0 V where it was off)"
    if why:
        return _nothing(why)
    found = temperature_interval(measured, dof=dof, confidence=plan.compare.confidence)
    return _beside(found, spectrum)


def _nothing(why: str) -> ElectronTemperature:
    nan = float("nan")
    return ElectronTemperature(nan, nan, nan, nan, why)


def _beside(found: TemperatureInterval, spectrum: Spectrum) -> ElectronTemperature:
    """The interval, or no value where something broadens that the line shape does not hold."""
    r, values = spectrum.resolution, found.fit.values
    gap = (1e3 * values.get(name, float("nan")) for name in ("gap", "broadening"))
    modulation = 0.0 if spectrum.from_lockin else float(np.nan_to_num(r.modulation_V))
    beside = float(np.nanmax([r.lag_V, r.axis_V, modulation, 0.0]))
    if np.isfinite(found.value) and beside > MOST_BESIDE * thermal_width(found.low):
        what = (
            "a lag or a common axis" if beside > modulation else "a modulation, over which the current may be averaged,"
        )
        words = f"{what} broadens by {with_prefix(beside, 'V')}, which the line shape does not hold"
        return ElectronTemperature(float("nan"), float("nan"), 0.0, found.high, words, *gap)
    return ElectronTemperature(found.value, found.se, found.low, found.high, found.why, *gap)
