"""The height scale: a factor from a step of known height, and what its uncertainty does to a barrier."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from sts.comparing.random_effects import joined_dof
from sts.quantities import find_unit


@dataclass(frozen=True)
class StepHeight:
    """A step that nature provides: its height and standard uncertainty [nm] and where the number comes from."""

    height_nm: float
    se_nm: float
    source: str


# Uncertainties are ours: they cover what published values (or surface and bulk) differ by.
STEP_HEIGHTS = {
    "graphite": StepHeight(
        0.335395,
        0.0001,
        "graphite interlayer spacing c/2, c = 6.7079 Å (JCPDS 25-284); 6.7106(4) Å: Howe et al., Powder Diffr. 2003, "
        "and 6.711(4) Å: Trucano and Chen, Nature 258, 136 (1975), lie within the uncertainty taken",
    ),
    "au111": StepHeight(
        0.235478,
        0.0002,
        "Au(111) step a/√3, a = 4.0786 Å (JCPDS 1974); measure far from the ridges of the reconstruction, which are "
        "0.015 nm high (Oden, Tao and Lindsay, J. Vac. Sci. Technol. B 11, 137, 1993)",
    ),
    "si111": StepHeight(
        0.3135601,
        0.001,
        "Si(111) bilayer step a/√3, a = 5.431020511 Å (CODATA 2022); the uncertainty covers the 0.312 nm "
        "recommended for oxidised steps in air (recalled, common practice)",
    ),
}


@dataclass(frozen=True)
class Calibration:
    """Factor between true and nominal height: true = factor × nominal."""

    factor: float
    factor_se: float
    source: str
    measured: float = math.nan  # [nm] of a height, [nA] of a current, and so are the next three
    measured_se: float = math.nan
    known: float = math.nan
    known_se: float = math.nan
    dof: float = math.inf  # of factor_se
    temperature_K: float = math.nan  # of the piezo when it was measured

    @property
    def relative_se(self) -> float:
        """Relative standard uncertainty of the height scale."""
        return self.factor_se / self.factor

    def at(self, temperature_K: float, percent_per_K: float) -> Calibration:
        """The same for a piezo at another temperature: its sensitivity is known by so much less.

        Parameters
        ----------
        temperature_K : float
            Of the sweeps; NaN, or where that of the calibration is not known: as it is.
        percent_per_K : float
            Standard uncertainty that a kelvin of difference adds, in per cent of the scale.
        """
        away = abs(temperature_K - self.temperature_K)
        if not away > 0:
            return self
        factor_se = math.hypot(self.factor_se, self.factor * percent_per_K / 100 * away)
        return replace(self, factor_se=factor_se, dof=joined_dof(self.factor_se, self.dof, factor_se))

    def barrier(self, nominal_eV: Any) -> Any:
        """The barrier [eV] on the true scale, from one that was fitted on the nominal scale: φ/factor².

        Parameters
        ----------
        nominal_eV : array_like, any shape
        """
        return np.asarray(nominal_eV) / self.factor**2

    def barrier_se(self, barrier_eV: Any) -> Any:
        """The standard uncertainty [eV] that the height scale gives a barrier: 2 φ u(factor)/factor.

        Parameters
        ----------
        barrier_eV : array_like, any shape
        """
        return 2 * np.abs(barrier_eV) * self.relative_se


FACTORS = (0.5, 2.0)  # a factor beyond is a wrong unit or a wrong step, not a scale


def calibration_factor(measured: float, measured_se: float, known: str | float, known_se: float = 0.0) -> Calibration:
    """The factor of the height scale from a measured step of known height.

    Parameters
    ----------
    measured, measured_se : float
        The step as measured on the nominal scale and its standard uncertainty [nm]; the mean over several steps with
        its standard error, terraces levelled (a tilt of 0.1 degree costs up to 2 % of a silicon step: J. Fu et al.,
        Nanotechnology 10, 428, 1999).
    known : str or float
        A name in `STEP_HEIGHTS`, or the height [nm].
    known_se : float
        Standard uncertainty of a height given as a number [nm].

    Raises
    ------
    ValueError
        If the name is unknown, a number is not positive, or the factor is beyond `FACTORS`.

    Notes
    -----
    factor = known/measured; relative variances add (GUM, JCGM 100:2008, 5.1.6, for a quotient of independent
    quantities). A step calibrates the motion it was measured with: gain rises with amplitude and frequency of the
    motion, so that a scan over a step does not fully stand for a ramp of 0.5 nm.
    """
    step = known_step(known, known_se)
    for name, value, least in (("measured", measured, False), ("known", step.height_nm, False),
                               ("measured_se", measured_se, True), ("known_se", step.se_nm, True)):  # fmt: skip
        if not (math.isfinite(value) and (value > 0 or (least and value == 0))):
            raise ValueError(f"{name} is {value:g}; a height must be positive and an uncertainty not negative.")
    factor = step.height_nm / measured
    if not FACTORS[0] <= factor <= FACTORS[1]:
        raise ValueError(
            f"The factor would be {factor:.3g} (known {step.height_nm:g} over measured {measured:g}); a scale is off by less "
            f"than {FACTORS[1]:g} times. Check the units and the step; if the scale really is that far off, correct it where "
            "the files are read (scale in a recipe)."
        )
    relative = math.hypot(measured_se / measured, step.se_nm / step.height_nm)
    return Calibration(factor, factor * relative, step.source, measured, measured_se, step.height_nm, step.se_nm)


def known_step(known: str | float, known_se: float = 0.0) -> StepHeight:
    """A step by its name in `STEP_HEIGHTS`, or of a height that is given.

    Parameters
    ----------
    known : str or float
        A name, or the height [nm].
    known_se : float
        Standard uncertainty of a height given as a number [nm].

    Raises
    ------
    ValueError
        If there is no step of that name.
    """
    if not isinstance(known, str):
        return StepHeight(known, known_se, f"step height of {known:g} nm, as given")
    if known not in STEP_HEIGHTS:
        raise ValueError(
            f"'{known}' is not a known step; known are {', '.join(STEP_HEIGHTS)}. Or give the height as a number."
        )
    return STEP_HEIGHTS[known]


def calibrate(
    what: str, *, measured: str, measured_se: str, known: str, known_se: str | None = None, source: str = ""
) -> Calibration:
    """A calibration from quantities written with their units, as on a command line.

    Parameters
    ----------
    what : str
        ``"height"`` or ``"current"``.
    measured, measured_se : str
        As measured on the nominal scale, and its standard uncertainty: ``"0.242 nm"``.
    known : str
        A name in `STEP_HEIGHTS` (for heights), or the true value with its unit.
    known_se : str, optional
        Standard uncertainty of a true value given with its unit.
    source : str
        Where the true value comes from.

    Returns
    -------
    Calibration
        With what was measured and known in nanometres or nanoamperes.

    Raises
    ------
    ValueError
        If a quantity is no number with a unit of the right kind, or not positive.
    """
    dimension = {"height": "length", "current": "current"}.get(what)
    if dimension is None:
        raise ValueError(f"'{what}' cannot be calibrated; use height or current.")
    value, value_se = in_nano(measured, dimension), in_nano(measured_se, dimension)
    if what == "height" and known in STEP_HEIGHTS:
        found = calibration_factor(value, value_se, known)
    elif not any(c.isdigit() for c in known):
        names = f"; known steps are {', '.join(STEP_HEIGHTS)}" if what == "height" else ""
        raise ValueError(f"'{known}' is not a known value; give a number with its unit{names}.")
    else:
        found = calibration_factor(
            value, value_se, in_nano(known, dimension), in_nano(known_se, dimension) if known_se else 0.0
        )
        if what == "current":
            found = replace(found, source=f"current of {known}, as given")
    return replace(found, source=f"{found.source}; {source}") if source else found


def in_nano(text: str, dimension: str) -> float:
    """A quantity with its unit in nanometre or nanoampere.

    Parameters
    ----------
    text : str
        Such as ``"0.242 nm"``.
    dimension : str
        ``"length"`` or ``"current"``.

    Raises
    ------
    ValueError
        If it is no number with such a unit.
    """
    text = text.strip()
    match = re.fullmatch(r"([+-]?[0-9.,]+(?:[eE][+-]?[0-9]+)?)\s*(.*)", text)
    unit = find_unit(match[2], expected=dimension) if match else None
    if match and match[2] == "A" and dimension == "length":
        raise ValueError(f"'{text}': A may be ampere or ångström; write Å, nm or pm for a height.")
    if match and re.fullmatch(r"[+-]?[1-9]\d{0,2},\d{3}", match[1]):
        raise ValueError(
            f"'{text}' may be {match[1].replace(',', '')} or {match[1].replace(',', '.')}; write it with a point."
        )
    if match is None or unit is None or unit.dimension != dimension:
        example = "0.242 nm" if dimension == "length" else "1.02 nA"
        raise ValueError(f"'{text}' is not a {dimension} with a unit; write it like {example}.")
    return float(match[1].replace(",", ".")) * unit.factor * 1e9


def temperature_of(text: str) -> float:
    """A temperature with its unit in kelvin.

    Parameters
    ----------
    text : str
        Such as ``"295 K"`` or ``"22 °C"``.

    Raises
    ------
    ValueError
        If it is no temperature above absolute zero with its unit.
    """
    match = re.fullmatch(r"([+-]?[0-9]+(?:[.][0-9]+)?)\s*(K|°?C)", text.strip())
    kelvin = float(match[1]) + (0.0 if match[2] == "K" else 273.15) if match else math.nan
    if not kelvin > 0:
        raise ValueError(f"'{text}' is not a temperature with its unit; write it like 295 K or 22 °C.")
    return kelvin
