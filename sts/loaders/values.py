"""Numbers with units as people write them in headers and logbooks: to SI, or the reason why not."""

from __future__ import annotations

import re
from functools import lru_cache
from typing import Any

import numpy as np

from sts.loaders.loaded import shown
from sts.loaders.magnitudes import out_of_range
from sts.loaders.words import CELSIUS, DIMENSIONS, SI_UNITS, factor_to_si, is_unit

_VALUE = re.compile(r"([+-]?(?:\d+[.,]?\d*|[.,]\d+)(?:[eEdD][+-]?\d+)?)\s*(.*)", re.DOTALL)
RMS = {"rms": 1.0, "peak": np.sqrt(0.5), "pp": np.sqrt(0.125), "peak-to-peak": np.sqrt(0.125)}


def number_of(text: str, decimal: str = ".") -> tuple[float, str] | None:
    """A number and what stands behind it (a unit), or None. ``0,5`` is read either way where nothing is in doubt.

    Parameters
    ----------
    text : str
    decimal : str
        The decimal mark of the file.
    """
    match = _VALUE.fullmatch(text.strip())
    if not match:
        return None
    digits = match[1].replace("d", "e").replace("D", "e")
    if "," in digits:
        if decimal != "," and re.search(r"(?<!^0),\d{3}(?!\d)", digits):
            return None  # 1,500: a thousand or one and a half
        digits = digits.replace(",", ".")
    elif decimal == "," and re.fullmatch(r"[+-]?[1-9]\d{0,2}\.\d{3}", digits):
        return None  # 1.500 where the comma is the decimal mark
    return float(digits), match[2].strip()


def number_text(value: float) -> str:
    """A number as text that reads back the same: whole ones without a point.

    Parameters
    ----------
    value : float
    """
    return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)


def scaled(values: Any, factor: float) -> Any:
    """Values times a factor to SI; divided by 1/factor where that is whole: 0.1 nm is 1e-10 m to the last digit.

    Parameters
    ----------
    values : float or ndarray
    factor : float
        To SI.
    """
    inverse = round(1 / factor) if 0 < abs(factor) < 1 else 0
    if inverse and abs(inverse * factor - 1) < 1e-12:
        return values / inverse
    return values if factor == 1 else values * factor


def modulation_kind(text: str) -> str:
    """``rms``, ``peak`` or ``peak-to-peak`` if a text says so, else "".

    Parameters
    ----------
    text : str
    """
    low = text.lower()
    if re.search(r"\brms\b|r\.m\.s|_rms", low):
        return "rms"
    if re.search(r"peak[\s-]*(?:to[\s-]*)?peak|\bpp\b|p-p|vpp", low):
        return "peak-to-peak"
    return "peak" if re.search(r"\bpeak\b|\bpk\b|zero-to-peak", low) else ""


@lru_cache(4096)  # the headers of a bench are alike
def in_si(column: str, text: str, unit: str, decimal: str) -> tuple[float | None, str]:
    """A value of a number column in SI, or None and the reason why not.

    Of several quantities in one value, such as ``0.2 mV rms, 811 Hz``, the one of the column's dimension.

    Parameters
    ----------
    column : str
        Of the table of sweeps.
    text : str
        The value as written, perhaps with its unit.
    unit : str
        That the key or the head of the column has; "" if none.
    decimal : str
        The decimal mark of the file.
    """
    expected = DIMENSIONS.get(column, "")
    found = number_of(text, decimal)
    if expected and len(parts := _parts_of(text)) > 1:
        fitting = [part for part in parts if dimension_of(part, expected) == expected]
        if len(fitting) == 1 and all(dimension_of(part) for part in parts):
            found = number_of(fitting[0], decimal)
    if found is None:
        return None, "is not a number that can be read without doubt"
    number, tail = found
    if not expected:
        return (number, "") if not tail else (None, "should be a plain number")
    written = _bare_unit(tail) or unit
    if unit and written != unit and not _same_unit(written, unit, expected):
        return None, f"has the unit {shown(written)}, and its name {shown(unit)}"
    if expected == "temperature" and written in CELSIUS:
        number, written = number + 273.15, "K"
    if not written:
        return None, f"has no unit (expected one of {expected}, such as {SI_UNITS[expected]})"
    factor = factor_to_si(written, expected)
    if factor is None:
        return None, f"has the unit {shown(written)}, which is none of {expected} (such as {SI_UNITS[expected]})"
    value = float(scaled(number, factor))
    why = out_of_range(column, value, SI_UNITS[expected])
    return (None, why) if why else (value, "")


def _same_unit(one: str, other: str, expected: str) -> bool:
    a, b = is_unit(one, expected=expected), is_unit(other, expected=expected)
    alike = a is not None and b is not None and (a.dimension, a.factor) == (b.dimension, b.factor)
    return alike or {one, other} <= CELSIUS


def alike(one: str | float, other: str | float) -> bool:
    """Whether two values say the same: numbers to a millionth, texts but for capitals.

    Parameters
    ----------
    one, other : str or float
    """
    if isinstance(one, float) and isinstance(other, float):
        return bool(np.isclose(one, other, rtol=1e-6, atol=0))
    return not isinstance(other, float) and str(one).strip().casefold() == str(other).strip().casefold()


def _parts_of(text: str) -> list[str]:
    """The quantities of a value such as ``100 pA, 0.5 V`` or ``50 pA @ 0,1 V``."""
    return [p for p in re.split(r"\s*(?:,\s+|;|@|\bat\b|\band\b|/(?=\s*[+-]?\d))\s*", text.strip()) if p]


def _bare_unit(tail: str) -> str:
    """The unit behind a number, without what says rms or peak."""
    kind = r"(?i)[\s,(]*(?:rms|r\.m\.s\.?|peak[\s-]*(?:to[\s-]*)?peak|peak|pk|pp|p-p)[\s)]*$"
    return re.sub(kind, "", tail).strip(" ()[]")


def dimension_of(part: str, expected: str = "") -> str:
    """The dimension of the unit behind a number; "" if there is none.

    Parameters
    ----------
    part : str
        A number with a unit.
    expected : str
        As in `is_unit`.
    """
    found = number_of(part, ",")
    unit = is_unit(_bare_unit(found[1]), expected=expected) if found else None
    return unit.dimension if unit else ""


def has_unit(value: str) -> bool:
    """Whether a unit stands behind a number.

    Parameters
    ----------
    value : str
    """
    found = number_of(value)
    return bool(found and found[1] and is_unit(found[1]))


def set_point_of(text: str, unit: str, decimal: str) -> tuple[dict[str, float], str]:
    """A set-point that may hold the current, the bias, or both, as the units tell; and what is wrong with it.

    Parameters
    ----------
    text : str
        One or two quantities.
    unit : str
        For those that have none; "" if there is none.
    decimal : str
        The decimal mark of the file.
    """
    found: dict[str, float] = {}
    wrong = ""
    for part in _parts_of(text):
        written = re.sub(r"^[A-Za-z]\w*\s*[:=]\s*", "", part)  # ``I = 50 pA, V = 0.1 V``
        column = {"current": "setpoint_current_A", "bias": "setpoint_bias_V"}.get(
            dimension_of(f"{written} {unit}" if not dimension_of(written) else written), ""
        )
        if not column and dimension_of(written):
            continue  # a third quantity, such as a gain in Hz
        number, why = (
            in_si(column, written, unit, decimal) if column else (None, "is no current and no bias with a unit")
        )
        if number is None:
            wrong = wrong or f"{shown(part)} {why}"
        elif found.get(column, number) != number:
            wrong = f"two values, {found[column]:.6g} and {number:.6g}"
        else:
            found[column] = number
    return found, wrong
