"""The temperature that broadens a spectrum: that of the electrons where the logbook says it, else that of the bath."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from sts.curves.averaging import common_value

COLUMNS = {  # of the logbook: electron temperature, with or without (K); the unit of a bare number
    "electron_temperature": "K", "electron_temperature_k": "K", "electron_temperature_mk": "mK",
}  # fmt: skip
UNITS = {"K": 1.0, "mK": 1e-3}
_NUMBER = r"\d+(?:[.,]\d+)?"
_VALUE = re.compile(rf"({_NUMBER})\s*(?:\((\d+)\)|(?:±|\+/-|\+-)\s*({_NUMBER}))?\s*(mK|K)?")


@dataclass(frozen=True)
class JunctionTemperature:
    """What temperature broadens sweeps [K]; NaN is unknown.

    Attributes
    ----------
    value, se : float
        Of the junction, and its standard uncertainty where one was stated.
    bath : float
        That of the column `temperature_K`.
    measured : bool
        Whether it is the electrons' of every sweep, as stated, and not the bath's.
    """

    value: float
    se: float
    bath: float
    measured: bool


def junction_temperature(table: pd.DataFrame) -> JunctionTemperature:
    """The temperature that sweeps have in common.

    Parameters
    ----------
    table : pandas.DataFrame
        Of sweeps; a column `electron_temperature` (1.2(1) K) or `electron_temperature_k` comes before `temperature_K`, row by row.

    Raises
    ------
    ValueError
        If such a cell cannot be read.
    """
    bath = table["temperature_K"]
    there = {column: unit for column, unit in COLUMNS.items() if column in table}
    stated = pd.DataFrame(
        [_first(zip(row, there.values(), strict=True)) for row in table[list(there)].to_numpy(object)],
        index=bath.index, columns=["value", "se"],
    )  # fmt: skip
    own = bool(len(stated) and stated["value"].notna().all())
    value = common_value(stated["value"].fillna(bath).astype(float))
    se = float(stated["se"].mean(skipna=False)) if own else float("nan")
    return JunctionTemperature(value, se, common_value(bath), own and bool(np.isfinite(value)))


def _first(cells: Any) -> tuple[float, float]:
    found = [read_temperature(cell, unit) for cell, unit in cells]
    return next((one for one in found if np.isfinite(one[0])), (float("nan"), float("nan")))


def read_temperature(cell: Any, unit: str = "K") -> tuple[float, float]:
    """Value and standard uncertainty [K]; NaN where a cell is empty, or states no uncertainty.

    Parameters
    ----------
    cell : str or float
        Such as ``"1.2(1) K"``, ``"1.2 ± 0.1 K"``, ``"900(50) mK"``.
    unit : str
        Of a bare number.

    Raises
    ------
    ValueError
        If it is none of these, or not above zero.
    """
    text = "" if pd.isna(cell) else str(cell).strip()
    if not text:
        return float("nan"), float("nan")
    match = _VALUE.fullmatch(text)
    if match is None or not float(match[1].replace(",", ".")) > 0:
        raise ValueError(
            f"The electron temperature {text!r} cannot be read; write it like 1.2(1) K, with the standard uncertainty of the "
            "last digits in brackets, or like 1.2 ± 0.1 K."
        )
    digits = match[1].replace(",", ".")
    factor = UNITS[match[4] or unit]
    if match[2]:
        se = float(match[2]) * 10.0 ** -len(digits.partition(".")[2])
    else:
        se = float(match[3].replace(",", ".")) if match[3] else float("nan")
    return float(digits) * factor, se * factor
