"""The temperature that broadens a spectrum: that of the electrons where the logbook says it, else that of the bath."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from sts.curves.averaging import common_value
from sts.sweeps import SweepSet

COLUMNS = {  # of the logbook: electron temperature, with or without (K); the unit of a bare number
    "electron_temperature": "K", "electron_temperature_k": "K", "electron_temperature_mk": "mK",
}  # fmt: skip
LABEL, FROM = (
    "electron_temperature",
    "electron_temperature_from",
)  # columns where it was measured on sweeps of the session
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
        If such a cell cannot be read; the text names the sweep.
    """
    bath = table["temperature_K"]
    there = {column: unit for column, unit in COLUMNS.items() if column in table}
    names = table.get("sweep", bath.index)
    rows = zip(names, table[list(there)].to_numpy(object), strict=True)
    stated = pd.DataFrame(
        [_first(name, zip(row, there.values(), strict=True)) for name, row in rows],
        index=bath.index,
        columns=["value", "se"],
    )
    own = bool(len(stated) and stated["value"].notna().all())
    value = common_value(stated["value"].fillna(bath).astype(float))
    se = float(stated["se"].mean(skipna=False)) if own else float("nan")
    return JunctionTemperature(value, se, common_value(bath), own and bool(np.isfinite(value)))


def _first(sweep: Any, cells: Any) -> tuple[float, float]:
    try:
        found = [read_temperature(cell, unit) for cell, unit in cells]
    except ValueError as error:
        raise ValueError(f"{sweep}: {error}") from None
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


def temperature_text(value: float, se: float) -> str:
    """A temperature as `read_temperature` reads it, its uncertainty with two digits: ``"1.200(12) K"``.

    Parameters
    ----------
    value, se : float
        [K], above zero.
    """
    digits = max(0, 1 - int(np.floor(np.log10(se))))
    return f"{value:.{digits}f}({max(round(se * 10**digits), 1)}) K"


def temperature_notes(sets: Sequence[SweepSet]) -> list[str]:
    """Which electron temperatures were measured, and on what.

    Parameters
    ----------
    sets : sequence of SweepSet
    """
    said: dict[tuple[Any, Any], None] = {}
    for part in sets:
        if LABEL in part.table and FROM in part.table:
            rows = part.table[[LABEL, FROM]].fillna("").astype(str)
            said |= dict.fromkeys(rows[(rows != "").all(axis=1)].itertuples(index=False, name=None))
    return [
        f"The electron temperature {text} was measured: {source}. It comes before that of the bath."
        for text, source in said
    ]
