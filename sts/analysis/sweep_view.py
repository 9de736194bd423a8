"""One sweep as arrays: what was measured, what was made of it, its flags where they sit, its site and its group."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sts.analysis.measured import Measured
from sts.analysis.results import Analysis
from sts.barrier.local import local_barrier
from sts.barrier.masks import REASONS
from sts.curves.electronics import find_saturation
from sts.flags import PLACE
from sts.selection import deciders, standing_decisions
from sts.spectra.blocks_of_points import in_blocks
from sts.spectra.single import SingleSpectrum, single_spectrum
from sts.spectra.spectrum import Spectrum
from sts.sweeps import SweepSet

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

LABELS = ("sample", "tip", "site", "direction", "repeat", "started", "source")
MASK_FLAGS = {"all saturated": "saturated"}  # flags whose samples are masked under another word


@dataclass(frozen=True)
class Place:
    """Where a flag sits in a sweep."""

    flag: str
    words: str  # plain words with its size
    kind: str  # "point", "span", "level" (a size along the current, as the converter's step) or "whole"
    first: float = np.nan  # along the axis: height from the near end [m], or bias [V]
    last: float = np.nan
    size: float = np.nan  # along the current [A]


@dataclass(frozen=True, eq=False)
class Curve:
    """The current of a sweep and nothing else: what is drawn behind another."""

    sweep: str
    x: Array  # (n,) height from its near end [m], or bias [V]
    current_A: Array  # (n,); the lock-in channel where no current was recorded


@dataclass(frozen=True, eq=False)
class _About:
    """What is said of any sweep."""

    sweep: str
    labels: dict[str, str]  # sample, tip, ..., as far as known
    used: bool
    decided_by: str  # "rule" or "person"
    decision: str  # a person's action and reason, else ""
    by: str  # that person, "" where it was not recorded
    places: tuple[Place, ...]
    beside: tuple[str, ...]  # other sweeps of its kind and site


@dataclass(frozen=True, eq=False)
class HeightView(_About):
    """One I(z) sweep of n samples."""

    height_m: Array  # (n,) from the sweep's near end
    current_A: Array  # (n,)
    fitted_A: Array  # (n,) NaN outside the window, and where the fit failed
    masked: dict[str, Mask]  # reason ("settling", "saturated", "hump", "lag", ...) to samples (n,)
    window_m: tuple[float, float]  # first and last sample of the fit
    offset_A: float
    offset_se_A: float
    noise_A: float  # standard deviation of a sample without current
    residual: Array  # (n,) in standard deviations of the fit's own noise; NaN where masked
    local_height_m: Array  # (n,)
    local_eV: Array  # (n,) NaN where it cannot be told
    local_se_eV: Array
    local_one_sided: Mask  # (n,) where the local slope is fitted from one side only
    barrier_eV: float
    barrier_low_eV: float
    barrier_high_eV: float


@dataclass(frozen=True, eq=False)
class BiasView(_About):
    """One I(V) sweep of n points. Derivatives are on `shifted_V`, the bias with the offset removed that was found."""

    bias_V: Array  # (n,) as recorded
    current_A: Array  # (n,) as recorded; NaN where only a lock-in channel was
    masked: dict[str, Mask]  # "saturated", "settling", "missing" to points (n,)
    lockin: Array | None  # (n,) as recorded, in `lockin_unit`
    lockin_unit: str
    setpoint: tuple[float, float]  # bias [V] and current [A]; NaN where unknown
    shifted_V: Array  # (n,)
    didv: Array  # (n,) of this sweep, smoothed as its group is, in `didv_unit`
    normalised: Array  # (n,)
    didv_unit: str
    group: str  # its label; "" where there is no spectrum
    in_group: bool  # whether the sweep is one of those averaged
    no_group: str  # why there is no spectrum, or nothing of this sweep on it; else ""
    group_didv: Array  # (n,)
    group_didv_low: Array
    group_didv_high: Array
    group_normalised: Array
    group_normalised_low: Array
    group_normalised_high: Array
    trusted: Mask  # (n,) where the normalised conductance may be read
    smoothing: str  # in words
    one_sided: Mask  # (n,) the outer half windows of the smoothing, where derivatives are fitted from one side


def view_of(measured: Measured, analysis: Analysis, sweep: str) -> HeightView | BiasView:
    """Everything to be seen of one sweep.

    Parameters
    ----------
    measured : Measured
    analysis : Analysis
        What `measured` came to under the decisions in force.
    sweep : str
        Its name.

    Returns
    -------
    HeightView or BiasView

    Raises
    ------
    KeyError
        If there is no such sweep.

    Examples
    --------
    >>> made = sts.simulate_iz(barrier_eV=4.0, sweeps=4, bench=sts.simulate.Bench(white_A=1e-12), seed=1)
    >>> np.savez("heron.npz", height_m=made.sweeps.axis, current_A=made.sweeps.current)
    >>> imported = sts.import_files(["heron.npz"], "session.h5", values={"tip": "heron"})
    >>> measured = sts.measure("session.h5")
    >>> view = sts.view_of(measured, measured.summarise(sts.Session.open("session.h5").decisions()), "heron_2")
    >>> round(view.barrier_eV), view.used, view.beside
    (4, True, ('heron_1', 'heron_3', 'heron_4'))
    """
    number, row = _where(measured, sweep)
    part = measured.sets[number]
    rows = analysis.flags[analysis.flags["sweep"] == sweep]
    return (_height_view if part.kind == "iz" else _bias_view)(measured, analysis, part.one(row), rows)


def curves_of(measured: Measured, sweeps: Sequence[str]) -> tuple[Curve, ...]:
    """The currents of some sweeps, to be drawn behind another.

    Parameters
    ----------
    measured : Measured
    sweeps : sequence of str
        Names, as a view's `beside` gives them.

    Raises
    ------
    KeyError
        If there is no such sweep.

    Examples
    --------
    >>> made = sts.simulate_iz(barrier_eV=4.0, sweeps=2, bench=sts.simulate.Bench(white_A=1e-12), seed=1)
    >>> np.savez("heron.npz", height_m=made.sweeps.axis, current_A=made.sweeps.current)
    >>> imported = sts.import_files(["heron.npz"], "session.h5", values={"tip": "heron"})
    >>> [curve.sweep for curve in sts.curves_of(sts.measure("session.h5"), ["heron_2"])]
    ['heron_2']
    """
    found = []
    for sweep in sweeps:
        number, row = _where(measured, sweep)
        part = measured.sets[number]
        rows = part.lockin if part.lockin is not None and not part.has_current else part.current
        found.append(Curve(sweep, part.axis - (part.axis[0] if part.kind == "iz" else 0.0), rows[row]))
    return tuple(found)


def _where(measured: Measured, sweep: str) -> tuple[int, int]:
    if sweep not in measured.rows:
        near = difflib.get_close_matches(sweep, list(measured.rows)[:20000], n=3)
        raise KeyError(f"no such sweep '{sweep}'{'; near to it: ' + ', '.join(near) if near else ''}")
    return measured.rows[sweep]


def _height_view(measured: Measured, analysis: Analysis, own: SweepSet, flags: pd.DataFrame) -> HeightView:
    number, row = measured.rows[own.names[0]]
    fit = measured.fits[[part.kind for part in measured.sets[:number]].count("iz")].of([row])
    local, near, fits = local_barrier(fit), own.axis[0], fit.fits
    masked = {why: fit.why_masked[0] == code for code, why in enumerate(REASONS) if code}
    masked = {why: mask for why, mask in masked.items() if mask.any()}
    height = own.axis - near
    window = float(fits.lowest[0] - near), float(fits.highest[0] - near)
    inside = (own.axis >= fits.lowest[0]) & (own.axis <= fits.highest[0])
    barrier = fit.table.iloc[0]
    return HeightView(
        **_about(measured, analysis, own, _places(flags, height, masked)),
        height_m=height,
        current_A=own.current[0],
        fitted_A=np.where(inside, fit.fitted[0] + fit.lines[0], np.nan),
        masked=masked,
        window_m=window,
        offset_A=float(fits.offset[0]),
        offset_se_A=float(fits.offset_se[0]),
        noise_A=float(fits.noise.electronics[0]),
        residual=fit.residual[0].astype(float),
        local_height_m=height,
        local_eV=local.barrier_eV[0],
        local_se_eV=local.barrier_se_eV[0],
        local_one_sided=local.one_sided,
        barrier_eV=float(barrier["barrier_eV"]),
        barrier_low_eV=float(barrier["barrier_low_eV"]),
        barrier_high_eV=float(barrier["barrier_high_eV"]),
    )


def _bias_view(measured: Measured, analysis: Analysis, own: SweepSet, flags: pd.DataFrame) -> BiasView:
    signal = own.current if own.has_current or own.lockin is None else own.lockin
    railed = find_saturation(signal, full_scale=own.number("full_scale_A") if own.has_current else None)
    number, row = measured.rows[own.names[0]]
    settled = measured.settled[[part.kind for part in measured.sets[:number]].count("iv")].one(row)
    hidden = np.isnan(settled.current[0]) & np.isfinite(own.current[0])
    masked = {"saturated": railed[0], "settling": hidden, "missing": ~np.isfinite(signal[0])}
    if "saturated" not in set(flags["flag"]):  # a number that never changes is no limit
        masked["saturated"] = np.zeros_like(railed[0])
    masked = {why: mask for why, mask in masked.items() if mask.any()}
    spectrum, why = _group_of(measured, analysis, own)
    short = in_blocks(settled)  # as its group was smoothed
    none = np.full(short.axis.size, np.nan)
    alone = SingleSpectrum(none, none, none)
    if spectrum is not None:
        try:
            even = measured.spectra.at_constant_gap(short, spectrum.offsets, analysis.barrier)
            alone = single_spectrum(even, spectrum, measured.plan.spectra)
        except ValueError as error:
            why = str(error)

    def of_group(name: str) -> Array:
        return none if spectrum is None else np.asarray(getattr(spectrum, name))

    return BiasView(
        **_about(measured, analysis, own, _places(flags, own.axis, masked)),
        bias_V=own.axis,
        current_A=own.current[0],
        masked=masked,
        lockin=None if own.lockin is None else own.lockin[0],
        lockin_unit=own.lockin_unit,
        setpoint=(float(own.number("setpoint_bias_V")[0]), float(own.number("setpoint_current_A")[0])),
        shifted_V=short.axis if spectrum is None else spectrum.bias,
        didv=alone.didv,
        normalised=alone.normalised,
        didv_unit="S" if spectrum is None else spectrum.didv_unit,
        group="" if spectrum is None else spectrum.label,
        in_group=spectrum is not None and own.names[0] in spectrum.sweeps,
        no_group=why,
        group_didv=of_group("didv"),
        group_didv_low=of_group("didv_low"),
        group_didv_high=of_group("didv_high"),
        group_normalised=of_group("normalised"),
        group_normalised_low=of_group("normalised_low"),
        group_normalised_high=of_group("normalised_high"),
        trusted=np.zeros(short.axis.size, bool) if spectrum is None else spectrum.trusted,
        smoothing="" if spectrum is None else spectrum.smoothing,
        one_sided=np.zeros(short.axis.size, bool) if spectrum is None else spectrum.ends,
    )


def _about(measured: Measured, analysis: Analysis, own: SweepSet, places: tuple[Place, ...]) -> dict[str, Any]:
    """The fields of `_About`."""
    sweep, log = own.names[0], analysis.decisions
    judged = analysis.judged
    at = int(np.argmax((judged["sweep"] == sweep).to_numpy()))
    decided = standing_decisions(log[log["sweep"] == sweep]) if len(log) else {}
    labels = {name: _text(own.columns[name][0]) for name in LABELS if name in own.columns}
    return {
        "sweep": sweep,
        "labels": {name: text for name, text in labels.items() if text},
        "used": bool(judged["used"].iloc[at]),
        "decided_by": str(judged["decided_by"].iloc[at]),
        "decision": ": ".join(decided.get(sweep, ())),
        "by": deciders(log[log["sweep"] == sweep]).get(sweep, ""),
        "places": places,
        "beside": tuple(name for name in measured.sites[measured.site_of(sweep)] if name != sweep),
    }


def _text(value: Any) -> str:
    if isinstance(value, float):
        return f"{value:g}" if np.isfinite(value) else ""
    return str(value)


def _places(flags: pd.DataFrame, axis: Array, masked: dict[str, Mask]) -> tuple[Place, ...]:
    """The flags of a sweep where they sit: of what is masked each run of samples, of the rest what their rows say."""
    found: list[Place] = []
    numbers = flags[PLACE].to_numpy(float).tolist()
    for flag, words, (first, last, size) in zip(flags["flag"], flags["detail"], numbers, strict=True):
        runs = _runs(masked.get(MASK_FLAGS.get(flag, flag)))
        if runs:
            found += [Place(flag, words, "span", float(axis[a]), float(axis[b])) for a, b in runs]
        elif np.isfinite(first):
            kind = "point" if first == last else "span"
            found.append(Place(flag, words, kind, first, last))
        else:
            found.append(Place(flag, words, "level" if np.isfinite(size) else "whole", size=size))
    return tuple(found)


def _runs(mask: Mask | None) -> list[tuple[int, int]]:
    """First and last position of each run of true values."""
    if mask is None:
        return []
    change = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(int)))
    return [(int(a), int(b) - 1) for a, b in zip(change[::2], change[1::2], strict=True)]


def _group_of(measured: Measured, analysis: Analysis, own: SweepSet) -> tuple[Spectrum | None, str]:
    """The spectrum of a sweep's group, or why there is none."""
    sweep = own.names[0]
    spectra = () if analysis.spectra is None else analysis.spectra.spectra
    for spectrum in spectra:
        if sweep in spectrum.sweeps or sweep in spectrum.omitted:
            if np.isfinite(spectrum.resolution.axis_V):
                return (
                    None,
                    "Its group was averaged on a common axis (spectra.axis in the plan), which is not that of this sweep.",
                )
            if spectrum.bias.size == own.axis.size:
                return spectrum, ""
    return (
        None,
        "There is no spectrum of its group: no sweep of it is used, or it could not be averaged (see the notes).",
    )
