"""Zero of bias and of current: what one set-point can say, and what three can."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sts.curves.averaging import unit_means
from sts.curves.electronics import find_saturation
from sts.curves.replicates import repeats_among
from sts.plan import SpectraPlan
from sts.spectra.spectrum import Offsets
from sts.spectra.symmetry import WARM, Mirror, mirror_zero
from sts.sweeps import SweepSet

Array = NDArray[np.float64]

_NAN = float("nan")
UNKNOWN = Offsets(_NAN, _NAN, _NAN, _NAN, _NAN, _NAN, separable=False, how="not found")
_WINDOW = 0.25  # share of the smaller half of the sweep that is fitted around V = 0
_POINTS = 9  # fewest points of the fit
_LEAST_EVEN = 0.05  # of the variance that may be left for a spectrum to be called even
_CONTRADICTION = 4.0  # standard uncertainties between two estimates of one zero, beyond which neither is believed alone
_GAP_BIAS_V = 0.01  # a bias offset of 10 mV must move the current by less than its uncertainty to call zero bias a gap


def find_offsets(sweeps: SweepSet | Sequence[SweepSet]) -> Offsets:
    """Bias offset V0 and current offset I0 of sweeps of one sample and tip.

    Parameters
    ----------
    sweeps : SweepSet or sequence of SweepSet
        I(V) sweeps taken with one setting of the electronics; several set-points are what separates the offsets. A
        sweep with `setpoint_current_A` of 0 is one with the tip retracted, and gives I0 by itself.

    Returns
    -------
    Offsets
        With `separable` false, only the zero crossing V0 - I0/G is known, and `how` says why.

    Notes
    -----
    Near zero I_k = G_k (V - V0) + I0 for repeat k: all curves cross at (V0, I0). A cubic through the points around
    V = 0 gives slope G_k and intercept b_k = I0 - V0 G_k; regressing b on G gives both, with the scatter of the repeats
    as uncertainty (Student's t is for the reader: these are standard uncertainties). It is done again around the V0 found,
    since a kink at the true zero (a V-shaped spectrum) pulls a fit that is centred beside it. One set-point has no lever
    arm in G; there, and in a gap, two flanks that mirror each other may tell both (`sts.spectra.symmetry`). Up and down
    sweeps of a repeat are averaged first, so that displacement current and lag do not
    pass for offsets.
    """
    sets = [sweeps] if isinstance(sweeps, SweepSet) else list(sweeps)
    parts = [part for part in map(_near_zero, sets) if part is not None]
    if not parts:
        return replace(UNKNOWN, how="not found: no current around V = 0")
    slope, intercept, setpoint = (np.concatenate([part[i] for part in parts]) for i in range(3))
    retracted = setpoint == 0
    live = ~retracted
    background = _mean(intercept[retracted])
    if not live.any():
        return replace(UNKNOWN, current_A=background[0], current_se_A=background[1], how="retracted trace only: I0")
    conductance, shift = _mean(slope[live]), _mean(intercept[live])
    if abs(conductance[0]) * _GAP_BIAS_V < np.fmax(
        2 * shift[1], 1e-16
    ):  # unknown for one repeat: then rounding decides
        how = "no conductance at V = 0 (gap): current offset only, the bias offset cannot be seen"
        return _by_symmetry(sets, replace(UNKNOWN, current_A=shift[0], current_se_A=shift[1], how=how))
    crossing, crossing_se = _zero_crossing(slope[live], intercept[live])
    points = np.unique(np.round(np.log10(np.abs(setpoint[live & np.isfinite(setpoint)])), 2))
    if points.size >= 3 and live.sum() >= 4:
        bias, bias_se, current, current_se = _crossing(sets, _regress(slope[live], intercept[live]))
        return Offsets(crossing, crossing_se, bias, bias_se, current, current_se, True, f"{points.size} set-points")
    if retracted.any():
        bias = crossing + background[0] / conductance[0]
        bias_se = float(np.hypot(crossing_se, background[1] / conductance[0]))
        return Offsets(crossing, crossing_se, bias, bias_se, *background, True, f"retracted trace ({retracted.sum()})")
    count = max(points.size, 1)
    how = f"{count} set-point{'s' if count > 1 else ''}: zero crossing only, bias and current offset not separable"
    return _by_symmetry(sets, Offsets(crossing, crossing_se, _NAN, _NAN, _NAN, _NAN, False, how))


def _by_symmetry(sets: Sequence[SweepSet], known: Offsets) -> Offsets:
    """Offsets from the symmetry of a gap, else those `known`, with the reason."""
    found = mirror_zero(sets)
    if isinstance(found, str):
        return known if found == WARM else replace(known, how=f"{known.how}; nor by symmetry: {found}")
    if not _all_cross(sets, found):
        return replace(known, how=f"{known.how}; the set-points do not cross where the gap mirrors itself")
    seen = abs(found.current_A - known.current_A)
    if seen > _CONTRADICTION * np.hypot(
        found.current_se_A, known.current_se_A
    ):  # of a gap without conductance at V = 0
        return replace(known, how=f"{known.how}; the symmetry of the gap says another zero of the current")
    how = f"symmetry of the gap, whose two flanks mirror each other ({found.repeats} repeats)"
    return Offsets(
        known.zero_crossing_V, known.zero_crossing_se_V, found.bias_V, found.bias_se_V, found.current_A, found.current_se_A,
        True, how, from_symmetry=True,
    )  # fmt: skip


def _all_cross(sets: Sequence[SweepSet], found: Mirror) -> bool:
    """Whether the sweeps of every set-point have the current I0 at V0, within what is known of these and of them."""
    for part in sets:
        near = _near_zero(part, found.bias_V)
        if near is None:
            continue
        for setpoint in np.unique(near[2]):  # NaN where unknown: one of them
            rows = near[2] == setpoint if setpoint == setpoint else np.isnan(near[2])
            (value, error), slope = _mean(near[1][rows]), near[0][rows].mean()
            sure = _CONTRADICTION * np.hypot(np.hypot(error, found.current_se_A), slope * found.bias_se_V)
            if setpoint != 0 and abs(value - found.current_A) > sure:  # not so of one repeat, whose error is unknown
                return False
    return True


def _crossing(sets: Sequence[SweepSet], first: tuple[float, float, float, float]) -> tuple[float, float, float, float]:
    """V0, I0 and their standard uncertainties, with the fits centred on the V0 of a `first` try; that one if they fail."""
    centre = first[0]
    parts = [part for part in (_near_zero(one, centre) for one in sets) if part is not None]
    if not parts:
        return first
    slope, value, setpoint = (np.concatenate([part[i] for part in parts]) for i in range(3))
    live = setpoint != 0
    if live.sum() < 4:
        return first
    bias, bias_se, current, current_se = _regress(slope[live], value[live])
    return centre + bias, bias_se, current, current_se


def fit_near_zero(bias: Any, current: Any, centre_V: float = 0.0) -> tuple[Array, Array]:
    """Slope [S] and value [A] at V = `centre_V` of each curve, from a cubic through the points around it.

    Parameters
    ----------
    bias : array_like, shape (n,)
        [V]; must run through `centre_V`.
    current : array_like, shape (m, n)
        [A]; rows with a missing sample in the window give NaN.
    centre_V : float
        [V]

    Raises
    ------
    ValueError
        If the bias does not include `centre_V` or has fewer than 9 points around it.
    """
    bias, current = np.asarray(bias, float) - centre_V, np.atleast_2d(np.asarray(current, float))
    if not bias[0] < 0 < bias[-1]:
        raise ValueError(
            f"The bias runs from {bias[0] + centre_V:g} to {bias[-1] + centre_V:g} V; the offsets show only where it runs "
            f"through {centre_V:g}."
        )
    half = max(_WINDOW * min(-bias[0], bias[-1]), float(np.sort(np.abs(bias))[min(_POINTS, bias.size) - 1]))
    window = np.abs(bias) <= half * (1 + 1e-9)
    if window.sum() < _POINTS:
        raise ValueError(f"There are {window.sum()} points around V = 0; the offsets need at least {_POINTS}.")
    u = bias[window] / half
    coefficients = np.linalg.pinv(u[:, None] ** np.arange(4)) @ current[:, window].T
    return coefficients[1] / half, coefficients[0]


def remove_offsets(bias: Array, current: Array, offsets: Offsets, plan: SpectraPlan) -> tuple[Array, Array]:
    """Bias axis and currents with the separable offsets taken off.

    Parameters
    ----------
    bias : numpy.ndarray, shape (n,)
        As recorded [V].
    current : numpy.ndarray, shape (m, n)
        [A].
    offsets : Offsets
    plan : SpectraPlan
        Whether they are kept.
    """
    if plan.offsets == "keep":
        return bias, current
    shift = offsets.bias_V if np.isfinite(offsets.bias_V) else 0.0
    zero = offsets.current_A if np.isfinite(offsets.current_A) else 0.0
    return bias - shift, current - zero


def offsets_as_found(offsets: Offsets) -> dict[str, float]:
    """Offsets as found, for the rule of trust: the zero crossing stands for both where they are not separable.

    Where the symmetry of a gap tells both, what stands for them is twice their uncertainty: that much may be left of them.

    Parameters
    ----------
    offsets : Offsets
    """
    if offsets.from_symmetry:
        return {"current_offset_A": 2 * offsets.current_se_A, "bias_offset_V": 2 * offsets.bias_se_V}
    if offsets.separable or np.isfinite(offsets.current_A):
        return {"current_offset_A": offsets.current_A, "bias_offset_V": offsets.bias_V}
    return {"current_offset_A": np.nan, "bias_offset_V": offsets.zero_crossing_V}


def bias_offset_from_symmetry(bias: Any, spectrum: Any) -> float:
    """Bias about which an even spectrum (a superconductor's, say) is most nearly its own mirror image [V].

    Parameters
    ----------
    bias : array_like, shape (n,)
    spectrum : array_like, shape (n,)
        dI/dV in any unit.

    Raises
    ------
    ValueError
        If there are fewer than 8 points.

    Notes
    -----
    Minimises the mean squared difference of g(V0 + v) and g(V0 - v) over the range that both sides cover, relative
    to the variance of g there; linear interpolation, V0 within a fifth of the range of the middle, parabola through
    the lowest three of a grid of a quarter step. NaN where the best of them still leaves 5 % of the variance: such a
    spectrum is not even about any bias there (measured gaps leave below 0.1 %, normal metals above 20 %).
    """
    bias, spectrum = np.asarray(bias, float), np.asarray(spectrum, float)
    good = np.isfinite(spectrum)
    bias, spectrum = bias[good], spectrum[good]
    if bias.size < 8:
        raise ValueError(f"{bias.size} points are too few to find a mirror symmetry; at least 8 are needed.")
    step = float(np.median(np.diff(bias)))
    reach = np.ptp(bias) / 5
    centres = (bias[0] + bias[-1]) / 2 + np.arange(-int(4 * reach / step), int(4 * reach / step) + 1) * step / 4
    distance = np.arange(step / 2, np.ptp(bias) / 2 - reach, step / 2)
    right = np.interp(centres[:, None] + distance, bias, spectrum)
    left = np.interp(centres[:, None] - distance, bias, spectrum)
    cost = np.mean((right - left) ** 2, axis=1) / np.maximum(
        np.var(np.concatenate([right, left], axis=1), axis=1), 1e-300
    )
    best = int(np.argmin(cost))
    if best in (0, len(cost) - 1) or cost[best] > _LEAST_EVEN:
        return float("nan")
    before, at, after = cost[best - 1 : best + 2]
    return float(centres[best] + 0.5 * (before - after) / (before - 2 * at + after) * step / 4)


def _near_zero(sweeps: SweepSet, centre_V: float = 0.0) -> tuple[Array, Array, Array] | None:
    """Slope, intercept and set-point current of every repeat whose window is whole."""
    current = np.where(find_saturation(sweeps.current, full_scale=sweeps.table["full_scale_A"]), np.nan, sweeps.current)
    try:
        slope, intercept = fit_near_zero(sweeps.axis, current, centre_V)
    except ValueError:
        return None
    whole = np.isfinite(slope)
    if not whole.any():
        return None
    codes = repeats_among(sweeps.table, sweeps.kind, whole)
    setpoint = sweeps.table["setpoint_current_A"].to_numpy(float)
    means = unit_means(np.column_stack([slope, intercept, setpoint])[whole], codes)
    return means[:, 0], means[:, 1], means[:, 2]


def _mean(values: Array) -> tuple[float, float]:
    """Mean and its standard uncertainty (NaN for fewer than two)."""
    if not values.size:
        return float("nan"), float("nan")
    return float(values.mean()), float(values.std(ddof=1) / np.sqrt(values.size)) if values.size > 1 else float("nan")


def _zero_crossing(slope: Array, intercept: Array) -> tuple[float, float]:
    """-b/G from the means (never the mean of ratios), uncertainty by the delta method."""
    g, b = slope.mean(), intercept.mean()
    return float(-b / g), _mean(intercept - b / g * slope)[1] / float(abs(g))


def _regress(slope: Array, intercept: Array) -> tuple[float, float, float, float]:
    """V0, I0 and their standard uncertainties from b = I0 - V0 G."""
    unit = np.max(np.abs(slope))  # conductances of 1e-9 would spoil the conditioning
    (gain, current), covariance = np.polyfit(slope / unit, intercept, 1, cov=True)
    gain_se, current_se = np.sqrt(np.diag(covariance))
    return float(-gain / unit), float(gain_se / unit), float(current), float(current_se)
