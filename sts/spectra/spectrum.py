"""The result of the I(V) side: one group of sweeps brought to dI/dV and (dI/dV)/(I/V)."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from sts.spectra.models.fitting import LineFit


@dataclass(frozen=True, eq=False)
class Offsets:
    """Zero of bias and current. `separable` says whether V0 and I0 could be told apart."""

    zero_crossing_V: float
    zero_crossing_se_V: float
    bias_V: float  # V0; NaN unless separable
    bias_se_V: float
    current_A: float  # I0; NaN unless separable or a retracted trace was there
    current_se_A: float
    separable: bool
    how: str  # in words: "3 set-points", "one set-point: not separable", ...


@dataclass(frozen=True)
class Resolution:
    """Widths at half height [V]; `total_V` is that of the convolution, not the quadratic sum. NaN is unknown."""

    thermal_V: float
    modulation_V: float
    smoothing_V: float
    lag_V: float
    total_V: float


@dataclass(frozen=True, eq=False)
class Spectrum:
    """One averaged spectrum. Arrays are (n,) on `bias` unless said; bands are 95 % (the plan's confidence)."""

    keys: dict[str, Any]  # the group, e.g. {"sample": "gold", "setpoint_current_A": 1e-9}
    bias: np.ndarray  # [V]
    sweeps: tuple[str, ...]  # names of the sweeps used
    omitted: tuple[str, ...]
    current: np.ndarray  # [A]
    current_se: np.ndarray
    didv: np.ndarray  # in `didv_unit`
    didv_se: np.ndarray
    didv_low: np.ndarray
    didv_high: np.ndarray
    normalised: np.ndarray  # (dI/dV)/(I/V)
    normalised_se: np.ndarray
    normalised_low: np.ndarray
    normalised_high: np.ndarray
    trusted: np.ndarray  # bool
    current_each: np.ndarray  # (m, n) the used sweeps, offsets removed [A]
    didv_each: np.ndarray  # (m, n) smoothed derivative of each used sweep
    offsets: Offsets
    resolution: Resolution
    smoothing: str  # in words, e.g. "local polynomial, order 2, window 45 mV"
    didv_unit: str = "S"
    flags: pd.DataFrame | None = None  # rows (sweep, flag, detail); sweep is "" for the group as a whole
    half_difference: np.ndarray | None = None  # (up - down)/2 of the averaged directions [A]
    half_difference_fit: np.ndarray | None = None  # its model
    directions: dict[str, float] = field(default_factory=dict)  # displacement_fF(_se), lag_ms(_se), drift_per_s(_se)
    criterion: pd.DataFrame | None = None  # width_V, score, chosen: strength of smoothing by leaving a sweep out
    gaps: pd.DataFrame | None = (
        None  # gap_method, gap_meV, gap_se_meV, lower_edge_V, upper_edge_V, floor, exponent, ...
    )
    peaks: pd.DataFrame | None = None  # position_V(_se), width_V(_se), area(_se)
    lockin: Any = None  # LockinCalibration where there was a lock-in channel
    fits: dict[str, LineFit] = field(default_factory=dict)  # of the models that the plan asks for, by their key

    @property
    def label(self) -> str:
        """The group in a few words, for legends and headings."""
        return group_label(self.keys)


def group_label(keys: dict[str, Any]) -> str:
    """What defines a group of sweeps in a few words, such as "gold film, 100 pA"; what is unknown is left out."""
    return ", ".join(_show(k, v) for k, v in keys.items() if v == v and v != "") or "all sweeps"


def _show(key: str, value: Any) -> str:
    if key == "unassigned":
        return f"unassigned ({value})"
    if key.endswith("_A"):
        return f"{value * 1e12:g} pA"
    if key.endswith("_V"):
        return f"{value * 1e3:g} mV"
    return f"{value:g}" if isinstance(value, float) else str(value)
