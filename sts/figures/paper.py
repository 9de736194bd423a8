"""Figures for a paper: curves or barriers on one Axes, in its own colours, with nothing drawn outside it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any
from weakref import WeakKeyDictionary

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from sts.figures.barrier import BARRIER_LABEL
from sts.figures.marks import Look, data_behind, draw_interval, draw_next, draw_points
from sts.figures.saving import save, write_whole
from sts.figures.spectra import short_labels
from sts.figures.style import COLOURS, GREY, MARKS, STYLES, given_or_new, house_style, rows_of
from sts.figures.sweeps import bias_axis
from sts.quantities import scale_for
from sts.spectra.spectrum import Spectrum

if TYPE_CHECKING:
    from sts.analysis import BarrierAnalysis

COLUMN_MM = 86.0
QUANTITIES = ("didv", "normalised", "current")
FORMATS = (".pdf", ".svg", ".png")

_HELD: WeakKeyDictionary[Axes, tuple[str, str, tuple[float, str], tuple[float, str]]] = WeakKeyDictionary()


def plot_spectra(
    spectra: Spectrum | Sequence[Spectrum], *, labels: Sequence[str] | None = None, quantity: str = "didv",
    bands: bool = True, ax: Axes | None = None, width_mm: float = COLUMN_MM,
) -> Axes:  # fmt: skip
    """Averaged spectra on one Axes, to be compared: dI/dV, (dI/dV)/(I/V) or the current.

    Parameters
    ----------
    spectra : Spectrum or sequence of Spectrum
        Such as ``results.spectra["graphite, A"]``.
    labels : sequence of str, optional
        One for each in the legend; what differs between them if not given.
    quantity : str
        ``"didv"``, ``"normalised"`` or ``"current"``.
    bands : bool
        Whether the band of each is drawn (95 %, or the confidence of the plan).
    ax : matplotlib.axes.Axes, optional
        Where to draw, in the colours of its cycle; a new figure in the house style if not given. A second call on the same
        Axes adds to it in the same units.
    width_mm : float
        Width of the new figure.

    Returns
    -------
    matplotlib.axes.Axes
        The legend stands on it, and nothing outside it.

    Raises
    ------
    ValueError
        If there is nothing to draw, the labels are not one for each, the quantity is unknown, or units differ.

    Notes
    -----
    Derivatives are left away where they are fitted from one side only, and (dI/dV)/(I/V) where it is not to be trusted.
    """
    chosen = [spectra] if isinstance(spectra, Spectrum) else list(spectra)
    names = _names(chosen, labels)
    with _axes(ax, width_mm, 0.72, STYLES) as ax:
        (x_factor, x_label), (y_factor, y_label) = _units(ax, chosen, quantity)
        for one, name in zip(chosen, names, strict=True):
            y, low, high = (values * y_factor for values in _values(one, quantity))
            draw_next(ax, one.bias * x_factor, y, (low, high) if bands else None, series=name, label=name)
        _fit_limits(ax)
        ax.set_xlabel(x_label)
        ax.set_ylabel(y_label)
        ax.legend()
    return ax


@contextmanager
def _axes(ax: Axes | None, width_mm: float, ratio: float, styles: Sequence[Any]) -> Iterator[Axes]:
    """The Axes given, as they are; else those of a new figure, all of which is drawn in the house style."""
    if ax is not None:
        yield ax
        return
    with house_style():
        own = given_or_new(None, width=width_mm, height_in=ratio * width_mm / 25.4)
        own.set_prop_cycle(color=COLOURS, linestyle=[styles[i % len(styles)] for i in range(len(COLOURS))])
        yield own


def _names(spectra: Sequence[Spectrum], labels: Sequence[str] | None) -> list[str]:
    if not spectra:
        raise ValueError("There is no spectrum to draw; give at least one.")
    if labels is None:
        return short_labels(spectra) if len(spectra) > 1 else [spectra[0].label]
    found = [labels] if isinstance(labels, str) else list(labels)
    if len(found) != len(spectra):
        there = "; ".join(s.label for s in spectra)
        raise ValueError(f"{len(found)} labels for {len(spectra)} spectra; give one for each, in this order: {there}.")
    return found


def _values(spectrum: Spectrum, quantity: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """A quantity (n,) with its band, in SI."""
    if quantity == "normalised":
        parts = (spectrum.normalised, spectrum.normalised_low, spectrum.normalised_high)
        return tuple(np.where(spectrum.trusted & ~spectrum.ends, part, np.nan) for part in parts)  # type: ignore[return-value]
    if quantity == "current":
        return (spectrum.current, *spectrum.current_band)
    return tuple(
        np.where(spectrum.ends, np.nan, part) for part in (spectrum.didv, spectrum.didv_low, spectrum.didv_high)
    )  # type: ignore[return-value]


def _units(ax: Axes, spectra: Sequence[Spectrum], quantity: str) -> tuple[tuple[float, str], tuple[float, str]]:
    """Factor and name of the bias, and of the ordinate. What the Axes hold already stays as it is."""
    if quantity not in QUANTITIES:
        raise ValueError(f"quantity is '{quantity}'; it must be one of {', '.join(QUANTITIES)}.")
    units = {s.didv_unit if quantity == "didv" else "" for s in spectra}
    if len(units) > 1:
        raise ValueError(
            f"These spectra are in different units ({', '.join(sorted(u or 'not recorded' for u in units))}) and cannot share "
            "an axis. Draw them apart, or calibrate the lock-in signal first."
        )
    unit = units.pop()
    if ax in _HELD:
        held, held_unit, x, y = _HELD[ax]
        if (held, held_unit) != (quantity, unit):
            raise ValueError(f"These Axes hold {held} already; draw {quantity} on Axes of its own.")
        return x, y
    x = bias_axis(np.concatenate([s.bias for s in spectra]))
    y = _ordinate(np.concatenate([_values(s, quantity)[0] for s in spectra]), quantity, unit)
    _HELD[ax] = quantity, unit, x, y
    return x, y


def _ordinate(values: np.ndarray, quantity: str, unit: str) -> tuple[float, str]:
    if not np.isfinite(values).any():
        raise ValueError(f"Nothing of {quantity} can be drawn: no value of these spectra is known, or to be trusted.")
    if quantity == "normalised":
        return 1.0, "(dI/dV)/(I/V), no unit"
    if quantity == "didv" and unit != "S":
        return 1.0, f"Lock-in signal ({unit or 'unit not recorded'})"
    factor, shown = scale_for(values, "A" if quantity == "current" else "S")
    return factor, f"{'Current' if quantity == 'current' else 'dI/dV'} ({shown})"


def _fit_limits(ax: Axes) -> None:
    """Ordinate by curves and bands, but a band that is wide at an end only must not flatten the rest."""
    drawn = data_behind([ax])
    ends = [drawn["y"].to_numpy(float)]
    for _, band in drawn[drawn["mark"] == "band"].groupby("series"):
        low, high = band["low"].to_numpy(float), band["high"].to_numpy(float)
        usual = 3 * np.nanmedian(high - low) if np.isfinite(high - low).any() else np.nan
        ends += [edge[high - low <= usual] for edge in (low, high)]
    values = np.concatenate(ends)
    values = values[np.isfinite(values)]
    room = 0.05 * (float(np.ptp(values)) or float(np.abs(values).max()) or 1.0)
    ax.set_ylim(values.min() - room, values.max() + room)


def plot_barriers(
    barriers: BarrierAnalysis | Sequence[BarrierAnalysis], *, labels: Sequence[str] | None = None, sites: bool = True,
    ax: Axes | None = None, width_mm: float = COLUMN_MM,
) -> Axes:  # fmt: skip
    """Barriers of tips with their intervals on one Axes; several analyses (before and after, two days) side by side.

    Parameters
    ----------
    barriers : BarrierAnalysis or sequence of BarrierAnalysis
        Such as ``results.barrier``.
    labels : sequence of str, optional
        One for each in the legend; needed where there are several.
    sites : bool
        Whether the mean of each site is drawn as a small open mark.
    ax : matplotlib.axes.Axes, optional
        Where to draw, in the colours of its cycle; a new figure in the house style if not given.
    width_mm : float
        Width of the new figure.

    Raises
    ------
    ValueError
        If there is no tip to draw, or the labels are not one for each.
    """
    chosen: list[Any] = list(barriers) if isinstance(barriers, Sequence) else [barriers]
    if labels is None and len(chosen) == 1:
        labels = [""]
    if labels is None or isinstance(labels, str) or len(labels) != len(chosen):
        raise ValueError(
            f"{len(chosen)} analyses need {len(chosen)} labels, one for each, such as ['before', 'after']."
        )
    places = list(dict.fromkeys((str(r.sample), str(r.tip)) for one in chosen for r in rows_of(one.tips)))
    if not places:
        raise ValueError("There is no barrier of a tip to draw: no sweep with a tip was used.")
    with _axes(ax, width_mm, 0.6, ("-",)) as ax:
        ahead = [ax.plot([], [])[0] for _ in chosen]  # the next colours of the cycle
        for i, (one, label, line) in enumerate(zip(chosen, labels, ahead, strict=True)):
            look: dict[str, Any] = {"colour": line.get_color(), "mark": MARKS[i % len(MARKS)]}
            line.remove()
            _draw_barriers(ax, one, places, 0.28 * (i - (len(chosen) - 1) / 2), label or "tip, with interval", look)
            if sites:
                _draw_sites(ax, one, places, 0.28 * (i - (len(chosen) - 1) / 2) + 0.12, label or "tips", look)
        if sites:
            ax.plot([], [], ls="none", marker="o", mfc="none", mec=GREY, ms=2.6, label="site")
        samples = len({sample for sample, _ in places})
        names = [f"{tip or '(no tip)'}\n{sample}" if samples > 1 else tip or "(no tip)" for sample, tip in places]
        ax.set_xticks(range(len(places)), names)
        ax.set_xlim(-0.6, len(places) - 0.4)
        ax.set_xlabel("Tip")
        ax.set_ylabel(BARRIER_LABEL)
        ax.legend()
    return ax


_Places = Sequence[tuple[str, str]]  # (sample, tip), one for each tick


def _draw_barriers(
    ax: Axes, one: BarrierAnalysis, places: _Places, shift: float, label: str, look: dict[str, Any]
) -> None:
    ends = (one.tips["barrier_low_eV"], one.tips["barrier_high_eV"])
    draw_interval(ax, _where(one.tips, places) + shift, one.tips["barrier_eV"], ends, series=label, label=label,
                  look=Look(**look, size=4))  # fmt: skip


def _draw_sites(ax: Axes, one: BarrierAnalysis, places: _Places, shift: float, name: str, look: dict[str, Any]) -> None:
    own = one.sites[[(str(r.sample), str(r.tip)) in places for r in rows_of(one.sites)]]
    draw_points(ax, _where(own, places) + shift, own["barrier_eV"], series=f"{name}: sites",
                look=Look(**look, filled=False, size=2.6))  # fmt: skip


def _where(table: pd.DataFrame, places: _Places) -> np.ndarray:
    return np.array([places.index((str(r.sample), str(r.tip))) for r in rows_of(table)], float)


def save_figure(drawn: Axes | Figure, path: str | Path, *, dpi: int = 600) -> Path:
    """Save a figure for a journal; the letters of a PDF are outlines (TrueType), and equal figures give equal bytes.

    Parameters
    ----------
    drawn : matplotlib.axes.Axes or matplotlib.figure.Figure
        Any figure, or an Axes of it.
    path : path
        Ends with ``.pdf``, ``.svg`` or ``.png``. A file that is there is replaced.
    dpi : int
        Of a picture of pixels [1/inch].

    Raises
    ------
    ValueError
        If the ending is another.
    """
    target = Path(path)
    if target.suffix.lower() not in FORMATS:
        raise ValueError(f"{target}: a figure ends with {', '.join(FORMATS)}, not with '{target.suffix}'.")
    figure = drawn if isinstance(drawn, Figure) else drawn.get_figure(root=True)
    assert isinstance(figure, Figure)
    with house_style():
        content = save(figure, target.suffix.lower()[1:], dpi=dpi)
    write_whole(target, content)
    return target
