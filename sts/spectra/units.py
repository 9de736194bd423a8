"""What averages of a current and of a lock-in channel share: the units behind the bands, the whole axis, the notes."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sts.curves.averaging import common_value, group_codes, site_columns, unit_means
from sts.curves.smoothing import Smoother
from sts.flags import flag_rows, join_flags
from sts.plan import SpectraPlan
from sts.spectra.common_axis import width_of
from sts.spectra.half_difference import DirectionFit
from sts.spectra.junction_temperature import junction_temperature
from sts.spectra.resolution import resolution
from sts.spectra.spectrum import Resolution
from sts.sweeps import SweepSet

Array = NDArray[np.float64]


def units_of(
    used: SweepSet, each_repeat: Array, repeats: NDArray[np.int64], plan: SpectraPlan, notes: dict[str, str]
) -> tuple[Array, str]:
    """The curves whose scatter makes the bands: repeats, or means of sites or tips.

    Parameters
    ----------
    used : SweepSet
        The sweeps that are averaged.
    each_repeat : numpy.ndarray, shape (r, n)
        Current or signal of each repeat.
    repeats : numpy.ndarray of int, shape (m,)
        The repeat that each sweep is of.
    plan : SpectraPlan
    notes : dict
        Flag to words; what has to be said is added.

    Raises
    ------
    ValueError
        If the plan wants the scatter between sites or tips and there is one only.
    """
    levels = {name: unit_codes(used.table, repeats, name) for name in ("tip", "site")}
    counts = {name: int(codes.max()) + 1 for name, codes in levels.items()}
    level: str = plan.replicates
    if level == "auto":
        level = next((name for name in ("tip", "site") if counts[name] >= 3), "repeat")
        if level == "repeat" and counts["site"] == 2:
            notes["few sites"] = "two sites: the band is that of the repeats and holds for these two only"
    elif level != "repeat" and counts[level] < 2:
        raise ValueError(
            f"The bands are to come from the scatter between {level}s, but there is only one. Set 'replicates' to "
            "'repeat'."
        )
    return (each_repeat, "repeat") if level == "repeat" else (unit_means(each_repeat, levels[level]), level)


def unit_codes(table: pd.DataFrame, repeats: NDArray[np.int64], level: str) -> NDArray[np.int64]:
    """The unit (repeat, site or tip) that each repeat is of, (r,).

    Parameters
    ----------
    table : pandas.DataFrame
        Of m sweeps.
    repeats : numpy.ndarray of int, shape (m,)
        The repeat that each sweep is of.
    level : str
        "tip" or "site"; anything else takes every repeat for itself.
    """
    first = np.unique(repeats, return_index=True)[1]
    if level == "tip":
        return group_codes(table, ["sample", "tip"])[first]
    return group_codes(table, site_columns(table))[first] if level == "site" else np.arange(first.size)


@dataclass(frozen=True, eq=False)
class Whole:
    """Puts arrays on the points kept back on the whole axis: NaN (or false) where every sweep misses a sample."""

    size: int
    points: NDArray[np.bool_]

    def __call__(self, values: Array) -> Array:
        result = np.full((*values.shape[:-1], self.size), np.nan)
        result[..., self.points] = values
        return result

    def mask(self, values: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """True where the points kept are.

        Parameters
        ----------
        values : numpy.ndarray of bool, shape (k,)
            On the points kept.
        """
        result = np.zeros(self.size, bool)
        result[self.points] = values
        return result

    def axis(self, axis: Array, bias: Array) -> Array:
        """The whole axis, shifted as the points kept are.

        Parameters
        ----------
        axis : numpy.ndarray, shape (n,)
            As recorded [V].
        bias : numpy.ndarray, shape (k,)
            Of the points kept, offset removed [V].
        """
        return np.asarray(axis + (bias[0] - axis[self.points][0]))


def resolution_of(used: SweepSet, smoother: Smoother | None, fit: DirectionFit | None) -> Resolution:
    """Thermal, modulation, smoothing and lag broadening, each and together.

    A modulation that was on broadens the recorded current, and so its numerical derivative, too: the amplifier
    averages over it.

    Parameters
    ----------
    used : SweepSet
        The sweeps that are averaged.
    smoother : Smoother, optional
    fit : DirectionFit, optional
        That tells the lag.
    """
    known = junction_temperature(used.table)

    def at(temperature: float) -> Resolution:
        return resolution(
            temperature_K=temperature,
            modulation_rms_V=common_value(used.table["modulation_V"]),
            smoothing_kernel=smoother.kernel() if smoother else None,
            lag_V=_clear_lag(fit),
            axis_V=width_of(used),
        )

    found = at(known.value)
    if not known.measured:
        return found
    error = float("nan")
    if known.se > 0:
        ends = known.value + known.se, max(known.value - known.se, 0.01 * known.value)
        error = (at(ends[0]).total_V - at(ends[1]).total_V) / 2
    return replace(
        found, total_se_V=error, electron_temperature_K=known.value, electron_temperature_se_K=known.se,
        bath_temperature_K=known.bath,
    )  # fmt: skip


def _clear_lag(fit: DirectionFit | None) -> float:
    """The lag [V] where it exceeds twice its uncertainty; else it is no broadening that could be told."""
    lag, error = (fit.values["lag_V"], fit.values["lag_V_se"]) if fit else (np.nan, np.nan)
    return float(lag) if lag > 2 * error else float("nan")


def note_rows(notes: dict[str, str]) -> pd.DataFrame:
    """Notes as flags of the group.

    Parameters
    ----------
    notes : dict
        Flag to words.
    """
    return join_flags([flag_rows([""], [True], flag, [detail]) for flag, detail in notes.items()])


def hole_note(points: NDArray[np.bool_]) -> str:
    """How many points (n,) have no usable sample.

    Parameters
    ----------
    points : numpy.ndarray of bool, shape (n,)
        Where some sweep has a sample.
    """
    return f"at {int((~points).sum())} of {points.size} points no sweep has a usable sample: left out"
