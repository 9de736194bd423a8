"""A spectrum as a wide table: one row per bias, a column per quantity, the unit in its name."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from sts.spectra.spectrum import Spectrum


def spectrum_frame(spectrum: Spectrum, *, prefixes: bool = False) -> pd.DataFrame:
    """The curves of a spectrum, to be plotted elsewhere.

    Parameters
    ----------
    spectrum : Spectrum
    prefixes : bool
        Whether units have the prefix of their size (mV, nS, pA), as a spreadsheet is read; else SI.

    Returns
    -------
    pandas.DataFrame
        ``bias_V, didv_S, didv_low_S, didv_high_S, didv_se_S, normalised, ..., trusted, current_A, ...``. A lock-in signal
        that is no conductance is called ``didv_lockin``.
    """
    s = spectrum
    low, high = s.current_band
    didv = {"": s.didv, "_low": s.didv_low, "_high": s.didv_high, "_se": s.didv_se}
    ratio = {"": s.normalised, "_low": s.normalised_low, "_high": s.normalised_high, "_se": s.normalised_se}
    current = {"": s.current, "_low": low, "_high": high, "_se": s.current_se}
    columns = _column({"": s.bias}, "bias", "V", prefixes and np.nanmax(np.abs(s.bias)) < 0.1)
    columns |= _column(didv, "didv", s.didv_unit if s.didv_unit == "S" else "lockin", prefixes and s.didv_unit == "S")
    columns |= _column(ratio, "normalised", "", False) | {"trusted": np.asarray(s.trusted, bool)}
    columns |= _column(current, "current", "A", prefixes)
    return pd.DataFrame(columns)


_LETTERS = {-5: "f", -4: "p", -3: "n", -2: "u", -1: "m", 0: "", 1: "k", 2: "M"}  # u: a column's name is plain ASCII


def _column(values: dict[str, np.ndarray], name: str, unit: str, prefix: bool | np.bool_) -> dict[str, Any]:
    """A quantity with its band, named with its unit."""
    step = _step(values[""]) if prefix else 0
    shown = _LETTERS[step] + unit
    return {"_".join(filter(None, [name + part, shown])): own * 10.0 ** (-3 * step) for part, own in values.items()}


def _step(values: np.ndarray) -> int:
    """Which power of 1000 makes the largest of them read as 1 to 1000."""
    largest = float(np.max(np.abs(values), where=np.isfinite(values), initial=0.0))
    return min(max(math.floor(math.log10(largest) / 3), min(_LETTERS)), max(_LETTERS)) if largest > 0 else 0
