"""Constants, units and the two or three formulae that every layer needs.

SI inside; barrier heights and energies in eV. Constants come from `scipy.constants` (CODATA 2022 in scipy 1.15
and later).
"""

from __future__ import annotations

import math
import unicodedata
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from scipy import constants

ELEMENTARY_CHARGE = constants.e  # [C]
ELECTRON_MASS = constants.m_e  # [kg]
HBAR = constants.hbar  # [J s]
BOLTZMANN = constants.k  # [J/K]
BOLTZMANN_EV = constants.k / constants.e  # [eV/K]
CONDUCTANCE_QUANTUM = 2 * constants.e**2 / constants.h  # G0 = 2 e^2/h [S]

BARRIER_PER_DECAY_SQUARED = HBAR**2 / (8 * ELECTRON_MASS * ELEMENTARY_CHARGE)  # hbar^2/8m [eV m^2]
THERMAL_WIDTH_FACTOR = 4 * math.log(1 + math.sqrt(2))  # full width at half height of -df/dE, in units of kT
MAD_SCALE = 1.4826  # standard deviation over median absolute deviation, normal distribution


def barrier_from_decay(decay: Any) -> Any:
    """Apparent barrier height [eV] from the decay of the current.

    Parameters
    ----------
    decay : array_like, any shape
        |d ln I/dz| = 2κ [1/m].

    Notes
    -----
    φ = (ħ²/8m)(d ln I/dz)², J. G. Simmons, J. Appl. Phys. 34, 1793 (1963), in the form used for I(z) since
    G. Binnig et al., Phys. Rev. Lett. 49, 57 (1982). Some papers call the decay of the wave function κ, some
    the decay of the current: taking one for the other is a factor of 4 in φ. Here it is the current's.

    Examples
    --------
    >>> round(float(sts.barrier_from_decay(2.1e10)), 2)  # about one decade per ångström
    4.2
    """
    return BARRIER_PER_DECAY_SQUARED * np.square(decay)


def decay_from_barrier(barrier_eV: Any) -> Any:
    """Decay |d ln I/dz| = 2κ [1/m] of the current for an apparent barrier height.

    Parameters
    ----------
    barrier_eV : array_like, any shape
        Apparent barrier height [eV].

    Notes
    -----
    The inverse of `barrier_from_decay`.

    Examples
    --------
    >>> (sts.decay_from_barrier([1.0, 4.0]) * 1e-10).round(3).tolist()  # per ångström
    [1.025, 2.049]
    """
    return np.sqrt(np.asarray(barrier_eV) / BARRIER_PER_DECAY_SQUARED)


def thermal_width(temperature_K: Any) -> Any:
    """Full width at half height [V] of the thermal kernel -df/dE of dI/dV.

    Parameters
    ----------
    temperature_K : array_like, any shape
        Of the electrodes [K].

    Notes
    -----
    4 ln(1+√2) kT/e = 3.53 kT/e: where -df/dE = sech²(E/2kT)/4kT is half of its largest value.

    Examples
    --------
    >>> round(float(sts.thermal_width(4.2)) * 1e3, 2)  # mV
    1.28
    """
    return THERMAL_WIDTH_FACTOR * BOLTZMANN_EV * np.asarray(temperature_K)


@dataclass(frozen=True)
class Unit:
    """A unit that was recognised: what it measures and what to multiply with to reach SI."""

    dimension: str  # "bias", "length", "current", "conductance", "resistance", "time", "temperature", ...
    factor: float  # value in SI = value * factor
    symbol: str  # as understood, e.g. "nA"


PREFIXES = {-6: "a", -5: "f", -4: "p", -3: "n", -2: "µ", -1: "m", 0: "", 1: "k", 2: "M", 3: "G"}  # of 1000
_POWERS = {prefix: power for power, prefix in PREFIXES.items() if prefix}
_SHOWN = ("V", "A", "S", "eV", "s", "K", "F", "Hz", "m")  # units that are shown with a prefix
LEAST_BIAS = 0.2  # a bias axis of ±0.5 V is in volts, one of ±0.1 V in millivolts


def scale_for(values: Any, unit: str, *, least: float = 1.0) -> tuple[float, str]:
    """A factor and a unit with prefix such that the largest of `values` reads as 1 to 1000: the one rule of prefixes.

    Parameters
    ----------
    values : array_like, any shape
        In `unit`.
    unit : str
        One that has a prefix already, such as ``"meV"``, is kept as long as the largest value reads as 1 to 10 000.
    least : float
        What the largest value reads as at least.

    >>> scale_for([2e-10], "A")
    (1000000000000.0, 'pA')
    >>> scale_for([0.0044], "meV")
    (1000.0, 'µeV')
    """
    finite = np.abs(np.asarray(values, float))
    finite = finite[np.isfinite(finite)]
    return _scale(float(finite.max()) if finite.size else 0.0, unit, least)


def _scale(largest: float, unit: str, least: float) -> tuple[float, str]:
    prefixed = unit[1:] in _SHOWN and unit[:1] in _POWERS
    if unit in ("", "arb. units") or not largest > 0 or (prefixed and 1 <= largest < 1e4):
        return 1.0, unit
    now = _POWERS[unit[0]] if prefixed else 0
    step = min(max(now + math.floor(math.log10(largest / least) / 3 + 1e-12), -6), 3) - now
    return 10.0 ** (-3 * step), PREFIXES[now + step] + (unit[1:] if prefixed else unit)


def with_prefix(value: float, unit: str, digits: int = 3) -> str:
    """A number of so many significant digits in the unit that suits its size: ``12 mK``, ``4.4 µeV``, ``1150 meV``.

    Parameters
    ----------
    value : float
        In `unit`.
    unit : str
        As for `scale_for`.
    digits : int
        Zeros at the end are left away.

    >>> with_prefix(0.012, "K")
    '12 mK'
    """
    return range_with_prefix(value, value, unit, digits)


def range_with_prefix(low: float, high: float, unit: str, digits: int = 3, *, least: float = 1.0) -> str:
    """Two numbers in one unit, ``-6 to 6 mV``; only one of them where they read the same.

    Parameters
    ----------
    low, high : float
        In `unit`.
    unit : str
        As for `scale_for`.
    digits : int
        Significant ones of each.
    least : float
        What the larger reads as at least.
    """
    largest = max(abs(low), abs(high))
    factor, shown = _scale(largest if math.isfinite(largest) else 0.0, unit, least)
    first, last = (_significant(value * factor, digits) for value in (low, high))
    return f"{first} {shown}" if first == last else f"{first} to {last} {shown}"


def _significant(value: float, digits: int) -> str:
    if not (math.isfinite(value) and value):
        return f"{value:g}"
    return f"{round(value, digits - 1 - math.floor(math.log10(abs(value)))):.{max(digits, 6)}g}"


def decimals_for(uncertainty: float, *, default: int = 2) -> int:
    """Decimals that show an uncertainty with two significant digits (at most 6; `default` where it is unknown).

    Parameters
    ----------
    uncertainty : float
    default : int
        Decimals where it is unknown.
    """
    if not (math.isfinite(uncertainty) and uncertainty > 0):
        return default
    return min(max(1 - math.floor(math.log10(uncertainty)), 0), 6)


_FACTORS = {prefix: float(f"1e{3 * power}") for power, prefix in PREFIXES.items() if prefix != "a"} | {
    "u": 1e-6
}  # read
_BASES = {
    "V": "bias",
    "m": "length",
    "A": "current",
    "S": "conductance",
    "ohm": "resistance",
    "Ω": "resistance",
    "s": "time",
    "K": "temperature",
    "Hz": "frequency",
}
_SPECIAL = {
    "Å": ("length", 1e-10),
    "Angstrom": ("length", 1e-10),
    "angstrom": ("length", 1e-10),
    "min": ("time", 60.0),
    "A/V": ("conductance", 1.0),
    "nA/V": ("conductance", 1e-9),
    "pA/V": ("conductance", 1e-12),
    "1": ("number", 1.0),
    "%": ("number", 0.01),
}


@lru_cache(1024)
def find_unit(text: str, *, expected: str = "") -> Unit | None:
    """Recognise a unit as written in a file, or return None.

    Parameters
    ----------
    text : str
        For example ``"nA"``, ``"µV"`` (both micro signs, or ``u``), ``"Å"`` (composed or decomposed).
    expected : str
        The dimension the place calls for. It decides the one ambiguous letter: ``A`` is ångström for a length
        and ampere otherwise. The unit found may still be of another dimension: the caller compares.

    Notes
    -----
    Strict on purpose: capitals count (``mV`` is not ``MV``), and a unit that is not in the table is refused, not
    guessed, since a factor of 1000 in a height is a factor of a million in a barrier.
    """
    symbol = unicodedata.normalize("NFC", text.strip()).replace("μ", "µ").replace("\u212b", "Å").replace("\u2126", "Ω")
    if symbol == "A" and expected == "length":
        return Unit("length", 1e-10, "Å")
    if symbol in _SPECIAL:
        dimension, factor = _SPECIAL[symbol]
        return Unit(dimension, factor, symbol)
    for base, dimension in _BASES.items():
        prefix = symbol.removesuffix(base)
        if prefix != symbol and prefix in _FACTORS:
            return Unit(dimension, _FACTORS[prefix], symbol)
    return None
