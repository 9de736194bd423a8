"""Numbers and counts in words: rounding by the uncertainty, intervals, plurals."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pandas as pd

from sts.quantities import LEAST_BIAS, decimals_for, scale_for, with_prefix

NOT_RECORDED = "not recorded"


def value_with_interval(value: float, low: float, high: float, unit: str) -> str:
    """A number with its interval, rounded alike: ``4.38 eV (4.28 to 4.49)``.

    Parameters
    ----------
    value : float
        In `unit`.
    low : float
        Lower end of the interval, in `unit`.
    high : float
        Its upper end.
    unit : str
        Of the values.
    """
    if not math.isfinite(value):
        return NOT_RECORDED if not math.isfinite(low) else f"between {low:.3g} and {high:.3g} {unit}"
    half = max(abs(high - value), abs(value - low)) if math.isfinite(low) and math.isfinite(high) else math.nan
    digits = decimals_for(half, default=2)
    space = f" {unit}" if unit else ""
    if not math.isfinite(half):
        return minus(f"{value:.{digits}f}{space} (no interval)")
    return minus(f"{value:.{digits}f}{space} ({low:.{digits}f} to {high:.{digits}f})")


def value_with_uncertainty(value: float, uncertainty: float, unit: str) -> str:
    """A number with plus and minus, rounded alike: ``1150 ± 24 meV``.

    Parameters
    ----------
    value : float
        In `unit`.
    uncertainty : float
        In `unit`.
    unit : str
        Of the values.
    """
    if not math.isfinite(uncertainty):
        return minus(
            f"{with_prefix(value, unit, 4) if _prefixed(unit) else f'{value:.4g} {unit}'} (uncertainty unknown)"
        )
    if _prefixed(unit):
        factor, unit = scale_for([value, uncertainty], unit)
        value, uncertainty = value * factor, uncertainty * factor
    digits = decimals_for(uncertainty)
    return minus(f"{value:.{digits}f} ± {uncertainty:.{digits}f} {unit}")


def _prefixed(unit: str) -> bool:
    """Whether a unit has a prefix that may change: barriers stay in eV, heights in nm."""
    return unit[1:] in ("V", "A", "S", "eV", "s", "F", "K") and unit[:1] in "afpnµm"


def minus(text: str) -> str:
    """The text of a number with a minus sign instead of a hyphen.

    Parameters
    ----------
    text : str
    """
    return text.replace("-", "−")


def count(number: int, one: str, many: str = "") -> str:
    """``1 sweep``, ``2 sweeps``.

    Parameters
    ----------
    number : int
    one : str
        The word for one.
    many : str
        That for several; with an s if not given.
    """
    return f"{number} {one if number == 1 else many or one + 's'}"


def listed(parts: Sequence[str], *, last: str = "and") -> str:
    """``a, b and c``.

    Parameters
    ----------
    parts : sequence of str
    last : str
        The word before the last.
    """
    parts = [p for p in parts if p]
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} {last} {parts[-1]}" if parts else ""


def distinct(values: pd.Series) -> list[str]:
    """The different values of a column, in order, unknown ones left out.

    Parameters
    ----------
    values : pandas.Series
    """
    seen = dict.fromkeys(str(v) for v in values if not (v is None or v == "" or (isinstance(v, float) and np.isnan(v))))
    return list(seen)


def numbers_in_words(values: pd.Series, scale: float, unit: str) -> str:
    """One value, or the few different ones, or their range; `NOT_RECORDED` where none is known.

    Parameters
    ----------
    values : pandas.Series
        NaN where unknown.
    scale : float
        Factor to `unit`.
    unit : str
        Of the values.
    """
    all_values = values.to_numpy(float) * scale
    name, _, rest = unit.partition(" ")  # "mV rms"
    least = LEAST_BIAS if name.startswith("V") else 1.0
    factor, name = (1.0, name) if name.startswith("nm") else scale_for(all_values, name, least=least)
    unit = f"{name} {rest}".strip()
    known = np.unique([float(f"{v * factor:.9g}") for v in all_values[np.isfinite(all_values)]])
    if not known.size:
        return NOT_RECORDED
    if known.size <= 4:
        return minus(f"{listed([f'{v:.4g}' for v in known])} {unit}")
    return minus(f"{known[0]:.4g} to {known[-1]:.4g} {unit}")


def level_words(confidence: float) -> str:
    """``95 %``.

    Parameters
    ----------
    confidence : float
        0.95 is 95 %.
    """
    return f"{confidence * 100:g} %"
