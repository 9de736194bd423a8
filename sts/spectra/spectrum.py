"""The result of the I(V) side: one group of sweeps brought to dI/dV and (dI/dV)/(I/V)."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from sts.quantities import LEAST_BIAS, range_with_prefix, with_prefix
from sts.showing import Shown

if TYPE_CHECKING:
    from sts.curves.smoothing import Asked
    from sts.spectra.didv_source import DidvSource
    from sts.spectra.models.fitting import LineFit


@dataclass(frozen=True, eq=False)
class Offsets:
    """Zero of bias and current. `separable` says whether V0 and I0 could be told apart.

    Attributes
    ----------
    zero_crossing_V : float
        Bias at which the current crosses zero [V].
    zero_crossing_se_V : float
        Its standard uncertainty [V].
    bias_V : float
        V0, the zero of the bias [V]; NaN unless separable.
    bias_se_V : float
        Its standard uncertainty [V].
    current_A : float
        I0, the zero of the current [A]; NaN unless separable or a retracted trace was there.
    current_se_A : float
        Its standard uncertainty [A].
    separable : bool
        Whether V0 and I0 could be told apart.
    how : str
        In words: "3 set-points", "one set-point: not separable".
    from_symmetry : bool
        Whether both are from the symmetry of a gap: what is left of them after removal is their uncertainty.
    """

    zero_crossing_V: float
    zero_crossing_se_V: float
    bias_V: float
    bias_se_V: float
    current_A: float
    current_se_A: float
    separable: bool
    how: str
    from_symmetry: bool = False


@dataclass(frozen=True)
class Resolution:
    """Widths at half height [V]; `total_V` is that of the convolution, not the quadratic sum. NaN is unknown.

    Attributes
    ----------
    thermal_V : float
        By temperature.
    modulation_V : float
        By the modulation of the lock-in.
    smoothing_V : float
        By smoothing.
    lag_V : float
        By the lag of the amplifier.
    total_V : float
        Of all of them convolved.
    axis_V : float
        By bringing sweeps to a common axis; NaN where they kept theirs.
    total_se_V : float
        Standard uncertainty of the total, by that of a stated electron temperature.
    electron_temperature_K, electron_temperature_se_K, bath_temperature_K : float
        Of the electrons, as stated, its standard uncertainty, and that of the bath beside it; NaN where none was stated.
    """

    thermal_V: float
    modulation_V: float
    smoothing_V: float
    lag_V: float
    total_V: float
    axis_V: float = float("nan")
    total_se_V: float = float("nan")
    electron_temperature_K: float = float("nan")
    electron_temperature_se_K: float = float("nan")
    bath_temperature_K: float = float("nan")


@dataclass(frozen=True, eq=False)
class Broadened:
    """dI/dV over I/V that a kernel broadened, which runs through a gap; arrays are (n,) on the spectrum's `bias`.

    Attributes
    ----------
    value, se : numpy.ndarray
        The quotient, no unit, and its standard uncertainty.
    low, high : numpy.ndarray
        Band of the plan's confidence.
    trusted : numpy.ndarray
        Bool: where it may be read.
    kind : str
        Of the kernel: "exponential" or "gaussian".
    width_V : float
        Decay of the exponential, full width at half height of the Gaussian [V].
    why : str
        What chose the width, in words.
    """

    value: np.ndarray
    se: np.ndarray
    low: np.ndarray
    high: np.ndarray
    trusted: np.ndarray
    kind: str
    width_V: float
    why: str


@dataclass(frozen=True, eq=False, repr=False)
class Spectrum(Shown):
    """One averaged spectrum. Arrays are (n,) on `bias` unless said; bands are 95 % (the plan's confidence).

    Attributes
    ----------
    keys : dict[str, Any]
        The group, such as ``{"sample": "gold", "setpoint_current_A": 1e-9}``.
    bias : numpy.ndarray
        Ascending, offset removed [V].
    sweeps : tuple[str, ...]
        Names of the sweeps used.
    omitted : tuple[str, ...]
        Names of those left out.
    current : numpy.ndarray
        Average, offsets removed [A].
    current_se : numpy.ndarray
        Its standard uncertainty [A].
    didv : numpy.ndarray
        dI/dV in `didv_unit`.
    didv_se : numpy.ndarray
        Its standard uncertainty.
    didv_low : numpy.ndarray
        Lower end of its band.
    didv_high : numpy.ndarray
        Upper end.
    normalised : numpy.ndarray
        (dI/dV)/(I/V), no unit.
    normalised_se : numpy.ndarray
        Its standard uncertainty.
    normalised_low : numpy.ndarray
        Lower end of its band.
    normalised_high : numpy.ndarray
        Upper end.
    trusted : numpy.ndarray
        Where (dI/dV)/(I/V) may be read; elsewhere offsets decide it.
    current_each : numpy.ndarray
        (m, n): the used sweeps, offsets removed [A].
    didv_each : numpy.ndarray
        (m, n): smoothed derivative of each used sweep.
    offsets : Offsets
        Zeros of bias and current that were removed.
    resolution : Resolution
        Energy resolution and its parts.
    smoothing : str
        In words, such as "local polynomial, order 2, window 45 mV".
    didv_unit : str
        ``"S"``, or that of the lock-in signal.
    flags : pandas.DataFrame, optional
        Rows `sweep`, `flag`, `detail`; `sweep` is empty for the group as a whole.
    half_difference : numpy.ndarray, optional
        (up - down)/2 of the averaged directions [A]; None without pairs.
    half_difference_fit : numpy.ndarray, optional
        Its model [A].
    directions : dict[str, float]
        `displacement_fF`, `lag_ms`, `drift_per_s`, each with `_se`.
    criterion : pandas.DataFrame, optional
        `width_V`, `score`, `chosen`: strength of smoothing by leaving a sweep out.
    gaps : pandas.DataFrame, optional
        `gap_method`, `gap_meV`, `gap_se_meV`, `lower_edge_V`, `upper_edge_V`, `floor`, `exponent` and others.
    peaks : pandas.DataFrame, optional
        `position_V`, `width_V`, `area`, each with `_se`.
    lockin : Any
        `LockinCalibration`, where there was a lock-in channel.
    fits : dict[str, LineFit]
        Of the models that the plan asks for, by their key.
    untried : dict[str, str]
        Models asked for that make no sense here, and why.
    suggested : tuple[str, ...]
        Models not asked for that this looks like, by their key.
    smoothed_as : Asked, optional
        What the smoother was asked for; None where nothing was smoothed.
    apart : str
        What tells it from others of the same group: range or points of its axis.
    replicates : str
        Whose scatter makes the bands: "repeat", "site" or "tip".
    units : int
        How many of these; one: the band is that of its residuals.
    one_sided : numpy.ndarray, optional
        (n,) bool, where dI/dV is fitted from one side only; None: nowhere.
    broadened : Broadened, optional
        The quotient beside the plain one; None where the plan asks for another form, or for none.
    unsmoothed_low, unsmoothed_high : numpy.ndarray, optional
        (n,) band of dI/dV that holds what smoothing does to it, in `didv_unit`; None where nothing was smoothed.
    sweep_features : pandas.DataFrame, optional
        Gap and strongest peaks of each sweep: `feature`, `sweep`, `site`, `value_mV` and others.
    differences : pandas.DataFrame, optional
        Whether sites (tips, where there are several) differ in them by more than chance.
    source : DidvSource, optional
        What dI/dV comes from; None where only one channel was recorded.
    """

    keys: dict[str, Any]
    bias: np.ndarray
    sweeps: tuple[str, ...]
    omitted: tuple[str, ...]
    current: np.ndarray
    current_se: np.ndarray
    didv: np.ndarray
    didv_se: np.ndarray
    didv_low: np.ndarray
    didv_high: np.ndarray
    normalised: np.ndarray
    normalised_se: np.ndarray
    normalised_low: np.ndarray
    normalised_high: np.ndarray
    trusted: np.ndarray
    current_each: np.ndarray
    didv_each: np.ndarray
    offsets: Offsets
    resolution: Resolution
    smoothing: str
    didv_unit: str = "S"
    flags: pd.DataFrame | None = None
    half_difference: np.ndarray | None = None
    half_difference_fit: np.ndarray | None = None
    directions: dict[str, float] = field(default_factory=dict)
    criterion: pd.DataFrame | None = None
    gaps: pd.DataFrame | None = None
    peaks: pd.DataFrame | None = None
    lockin: Any = None
    fits: dict[str, LineFit] = field(default_factory=dict)
    untried: dict[str, str] = field(default_factory=dict)
    suggested: tuple[str, ...] = ()
    smoothed_as: Asked | None = None
    apart: str = ""
    replicates: str = ""
    units: int = 0
    one_sided: np.ndarray | None = None
    broadened: Broadened | None = None
    unsmoothed_low: np.ndarray | None = None
    unsmoothed_high: np.ndarray | None = None
    sweep_features: pd.DataFrame | None = None
    differences: pd.DataFrame | None = None
    source: DidvSource | None = None

    def _words(self) -> str:
        return (f"'{self.label}', {len(self.sweeps)} sweeps used, {len(self.omitted)} left out; {self.bias.size} points, "
                f"{self.bias[0]:.4g} to {self.bias[-1]:.4g} V")  # fmt: skip

    @property
    def current_band(self) -> tuple[np.ndarray, np.ndarray]:
        """Band of the current [A], (n,) each: as many standard uncertainties wide as that of dI/dV."""
        with np.errstate(divide="ignore", invalid="ignore"):
            half = self.current_se * (self.didv_high - self.didv) / self.didv_se
        return self.current - half, self.current + half

    def frame(self, *, prefixes: bool = False) -> pd.DataFrame:
        """The curves as a wide table, one row per bias, the unit in each column's name.

        Parameters
        ----------
        prefixes : bool
            Whether units have the prefix of their size (mV, nS, pA); else SI.
        """
        from sts.spectra.frames import spectrum_frame

        return spectrum_frame(self, prefixes=prefixes)

    @property
    def from_lockin(self) -> bool:
        """Whether dI/dV is that of the lock-in channel, calibrated by the current of the same sweeps."""
        return self.source is not None and self.source.channel == "lock-in"

    @property
    def ends(self) -> np.ndarray:
        """Where dI/dV is fitted from one side only, bool (n,)."""
        return np.zeros(self.bias.size, bool) if self.one_sided is None else self.one_sided

    @property
    def label(self) -> str:
        """The group in a few words, for legends and headings."""
        return group_label(self.keys, self.apart)


def group_label(keys: dict[str, Any], apart: str = "") -> str:
    """What defines a group of sweeps in a few words, such as "gold film, 100 pA"; what is unknown is left out.

    Parameters
    ----------
    keys : dict
        Column of the table to value.
    apart : str
        What tells the group from others of the same keys.
    """
    known = [_show(k, v) for k, v in keys.items() if v == v and v != ""]
    return ", ".join([*known, *([apart] if apart else [])]) or "all sweeps"


def axis_differences(axes: Sequence[np.ndarray], names: Sequence[str]) -> list[str]:
    """For each name that is there several times what differs of its axis: range, points, else a number; "" for others.

    Parameters
    ----------
    axes : sequence of ndarray, shape (n,)
        [V].
    names : sequence of str
    """
    words: list[list[str]] = [[] for _ in names]
    ways: list[Callable[[np.ndarray], str]] = [
        lambda axis: range_with_prefix(axis[0], axis[-1], "V", least=LEAST_BIAS),
        lambda axis: f"{axis.size} points",
    ]
    for way in ways:
        so_far = [(name, *said) for name, said in zip(names, words, strict=True)]
        for key in {key for key in so_far if so_far.count(key) > 1}:
            mine = [i for i, own in enumerate(so_far) if own == key]
            if len({way(axes[i]) for i in mine}) > 1:
                for i in mine:
                    words[i].append(way(axes[i]))
    final = [(name, *said) for name, said in zip(names, words, strict=True)]
    for i, key in enumerate(final):
        if final.count(key) > 1:
            words[i].append(f"axis {final[: i + 1].count(key)}")
    return [", ".join(said) for said in words]


def _show(key: str, value: Any) -> str:
    if key == "unassigned":
        return f"unassigned ({value})"
    if key.endswith("_A"):
        return with_prefix(value * 1e12, "pA", 6)
    if key.endswith("_V"):
        return with_prefix(value * 1e3, "mV", 6)
    return f"{value:g}" if isinstance(value, float) else str(value)
