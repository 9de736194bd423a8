"""From the entries of a header to columns of the sweep table, in SI units, and to the signs of bias and current."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from sts.loaders.block import Entry
from sts.loaders.loaded import shown
from sts.loaders.recipe import Recipe
from sts.loaders.words import KEY_DIMENSIONS, SI_UNITS, key_of
from sts.quantities import find_unit
from sts.sweeps import COLUMNS, NUMBER_COLUMNS

_VALUE = re.compile(r"([+-]?(?:\d+[.,]?\d*|[.,]\d+)(?:[eEdD][+-]?\d+)?)\s*(.*)", re.DOTALL)
_YES = {"yes", "true", "1", "inverted", "inverting", "negative", "-1", "reversed", "-"}
_NO = {"no", "false", "0", "normal", "not inverted", "positive", "+1", "+", "as is"}
RMS = {"rms": 1.0, "peak": np.sqrt(0.5), "pp": np.sqrt(0.125), "peak-to-peak": np.sqrt(0.125)}
_UNKNOWN = {"", "unknown", "n/a", "na", "-", "--", "?", "none", "nan", "not recorded"}


@dataclass
class Metadata:
    """What a header says."""

    values: dict[str, str | float] = field(default_factory=dict)  # column of the table -> value
    bias_sign: int | None = None  # -1: the file's bias is of the tip against the sample
    current_sign: int | None = None
    taken: list[tuple[Entry, str]] = field(default_factory=list)  # entry, what it was taken for ("" if unused)
    notes: list[str] = field(default_factory=list)


def number_of(text: str, decimal: str = ".") -> tuple[float, str] | None:
    """A number and what stands behind it (a unit), or None. ``0,5`` is read either way where nothing is in doubt."""
    match = _VALUE.fullmatch(text.strip())
    if not match:
        return None
    digits = match[1].replace("d", "e").replace("D", "e")
    if "," in digits:
        if decimal != "," and re.search(r"(?<!^0),\d{3}(?!\d)", digits):
            return None  # 1,500: a thousand or one and a half
        digits = digits.replace(",", ".")
    return float(digits), match[2].strip()


def scaled(values: Any, factor: float) -> Any:
    """Values times a factor to SI; divided by 1/factor where that is whole: 0.1 nm is 1e-10 m to the last digit."""
    inverse = round(1 / factor) if 0 < abs(factor) < 1 else 0
    if inverse and abs(inverse * factor - 1) < 1e-12:
        return values / inverse
    return values if factor == 1 else values * factor


def modulation_kind(text: str) -> str:
    """``rms``, ``peak`` or ``peak-to-peak`` if a text says so, else ""."""
    low = text.lower()
    if re.search(r"\brms\b|r\.m\.s|_rms", low):
        return "rms"
    if re.search(r"peak[\s-]*(?:to[\s-]*)?peak|\bpp\b|p-p|vpp", low):
        return "peak-to-peak"
    return "peak" if re.search(r"\bpeak\b|\bpk\b|zero-to-peak", low) else ""


def in_si(column: str, text: str, unit: str, decimal: str) -> tuple[float | None, str]:
    """A value of a number column in SI, or None and the reason why not."""
    found = number_of(text, decimal)
    if found is None:
        return None, "is not a number that can be read without doubt"
    number, tail = found
    expected = KEY_DIMENSIONS.get(column, "")
    if not expected:
        return (number, "") if not tail else (None, "should be a plain number")
    tail = re.sub(r"(?i)[\s,(]*(?:rms|r\.m\.s\.?|peak[\s-]*(?:to[\s-]*)?peak|peak|pk|pp|p-p)[\s)]*$", "", tail).strip(
        " ()[]"
    )
    written = tail or unit
    if expected == "temperature" and written in ("°C", "degC", "Celsius"):
        return number + 273.15, ""
    if not written:
        return None, f"has no unit (expected one of {expected}, such as {SI_UNITS[expected]})"
    known = find_unit(written, expected=expected)
    if known is None or known.dimension != expected:
        return None, f"has the unit {shown(written)}, which is none of {expected} (such as {SI_UNITS[expected]})"
    return float(scaled(number, known.factor)), ""


def read_metadata(entries: Iterable[Entry], kind: str, decimal: str, recipe: Recipe) -> Metadata:
    """The columns of the table that header entries give.

    An entry that cannot be used without a guess (no unit, rms or peak not said) is left out, with a note.
    """
    result = Metadata()
    parts: dict[str, str] = {}
    own = {key.strip().lower(): column for key, column in recipe.header.items()}
    for entry in entries:
        column, unit, extra = key_of(entry.key)
        name = own.get(entry.key.strip().lower(), "")
        if name:
            column = key_of(name)[0] or name
            unit = key_of(name)[1] if name in COLUMNS and not unit and not _has_unit(entry.value) else unit
        if entry.value.strip().lower() in _UNKNOWN or not column:
            result.taken.append((entry, ""))
            continue
        if column in ("date", "time"):
            if column == "time" and _has_unit(entry.value):
                column = "duration_s"
            else:
                parts[column] = entry.value
                result.taken.append((entry, "started"))
                continue
        result.taken.append((entry, _take(result, entry, column, unit, extra, kind, decimal, recipe)))
    if parts:
        result.values.setdefault("started", " ".join(parts[k] for k in ("date", "time") if k in parts))
    return result


def _has_unit(value: str) -> bool:
    found = number_of(value)
    return bool(found and found[1] and find_unit(found[1]))


def _take(
    result: Metadata, entry: Entry, column: str, unit: str, extra: str, kind: str, decimal: str, recipe: Recipe
) -> str:
    """Use one entry; returns what it was taken for, "" if it was not."""
    value = entry.value.strip()
    low = value.lower()
    if column == "bias applied to":
        target = next((w for w in ("tip", "sample") if w in low), "")
        if target:
            result.bias_sign = -1 if target == "tip" else 1
            return f"bias applied to {target}"
        result.notes.append(f"{entry.place}: '{entry.key}' is {shown(value)}; expected tip or sample. Not used")
        return ""
    if column in ("current polarity", "bias polarity"):
        if low in _YES | _NO:
            setattr(result, f"{column.split()[0]}_sign", -1 if low in _YES else 1)
            return column
        result.notes.append(f"{entry.place}: '{entry.key}' is {shown(value)}; expected inverted or normal. Not used")
        return ""
    if column == "current":
        column = "setpoint_current_A"  # the current a sweep started from
    if column in ("bias_V", "tip bias"):
        if column == "tip bias":
            result.bias_sign = result.bias_sign or -1
        column = "bias_V" if kind == "iz" else "setpoint_bias_V"
    if column not in NUMBER_COLUMNS:
        result.values[column] = value
        return column
    if column == "modulation_V":
        said = modulation_kind(f"{entry.key} {extra} {value}") or (
            "rms" if entry.key.strip() == column else recipe.modulation
        )
        if not said:
            result.notes.append(
                f"{entry.place}: modulation {shown(value)} does not say rms or peak, a factor of 1.41; not used. Say "
                'modulation = "rms" (or "peak") in a recipe'
            )
            return ""
        number, why = in_si(column, value, unit, decimal)
        number = None if number is None else float(number * RMS[said])
    else:
        number, why = in_si(column, value, unit, decimal)
    if number is None:
        result.notes.append(f"{entry.place}: '{entry.key}' is {shown(value)}, which {why}; not used")
        return ""
    result.values[column] = number
    return column
