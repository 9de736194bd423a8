"""Spectra in words: gaps by each definition, parameters of fitted line shapes, energy resolution."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from sts.figures.spectra import modulation_unknown
from sts.figures.style import rows_of
from sts.quantities import decimals_for, range_with_prefix, scale_for, with_prefix
from sts.report.number_words import count, listed, value_with_uncertainty
from sts.spectra.each_sweep import GAP
from sts.spectra.gaps.gap import BANDS, ONSET
from sts.spectra.models import MODELS, LineFit, Model
from sts.spectra.spectrum import Spectrum

MOST_NAMED = 6  # more tips or samples than this are summed up instead of listed
_LOCKIN_VERDICTS = {True: "they agree", False: "they do not agree", None: "whether they agree cannot be told"}
TWICE = " (± twice the standard uncertainty)"


def gap_words(spectrum: Spectrum) -> str:
    """What the gap table of a spectrum says, by each definition.

    Parameters
    ----------
    spectrum : Spectrum
    """
    words = gaps_words([spectrum])
    return f"{words}{TWICE}" if "±" in words else words


def gaps_words(spectra: Sequence[Spectrum]) -> str:
    """What the gap tables of spectra say, the surest definition first; several spectra as the range of their gaps.

    Parameters
    ----------
    spectra : sequence of Spectrum
    """
    parts = _gap_parts(spectra)
    return f"gap {listed(parts)}" if parts else _no_gap(spectra)


def _no_gap(spectra: Sequence[Spectrum]) -> str:
    looked = any(s.gaps is not None and len(s.gaps) for s in spectra)
    return "no gap is found" if looked else "no gap was looked for or found"


def _gap_parts(spectra: Sequence[Spectrum]) -> list[str]:
    """The gap by each definition that found one, the surest first, bounds last."""
    found: dict[str, list[tuple[float, float]]] = {}
    bounds: list[tuple[float, float]] = []
    for spectrum in spectra:
        for row in rows_of(spectrum.gaps) if spectrum.gaps is not None else ():
            if math.isfinite(row.gap_meV) and row.gap_method == ONSET:
                bounds.append((float(row.gap_low_meV), float(row.gap_high_meV)))
            elif math.isfinite(row.gap_meV):
                method = str(row.gap_method).partition(", exponent")[0]
                found.setdefault(method, []).append((float(row.gap_meV), 2 * float(row.gap_se_meV)))
    surest = sorted(found.items(), key=lambda item: np.nan_to_num(np.median([u for _, u in item[1]]), nan=np.inf))
    said = [f"{_gap_range(values)} by {method}" for method, values in surest]
    if bounds:
        lowest, highest = min(low for low, _ in bounds), max(high for _, high in bounds)
        said.append(f"{range_with_prefix(lowest, highest, 'meV', 3)} by {ONSET}")
    return said


def _gap_range(values: Sequence[tuple[float, float]]) -> str:
    """One gap with its uncertainty, or the lowest and the highest with the largest uncertainty."""
    low, high = min(values), max(values)
    if low == high:
        return value_with_uncertainty(*low, "meV")
    known = [u for _, u in values if math.isfinite(u)]
    widest = max(known, default=math.nan)
    if not math.isfinite(widest):
        return f"{range_with_prefix(low[0], high[0], 'meV', 4)} (uncertainty unknown)"
    factor, unit = scale_for([high[0]], "meV")
    widest *= factor
    digits = decimals_for(widest)
    some = "" if len(known) == len(values) else ", where it is known"
    return f"{low[0] * factor:.{digits}f} to {high[0] * factor:.{digits}f} {unit} (each ± {widest:.{digits}f} or less{some})"


def model_words(model: Model, fit: LineFit) -> str:
    """What a model fitted to a spectrum says: each free parameter with twice its standard uncertainty, and the verdict.

    Parameters
    ----------
    model : Model
    fit : LineFit
    """
    parts = _parameter_words(model, fit)
    return f"{listed(parts)}{TWICE}; fit {fit.verdict}" if parts else fit.verdict


def _parameter_words(model: Model, fit: LineFit) -> list[str]:
    return [f"{p.symbol} = {value_with_uncertainty(p.scale * fit.values[p.name], 2 * p.scale * fit.errors[p.name], p.unit)}"
            for p in model.parameters if p.name in fit.errors]  # fmt: skip


def difference_words(spectra: Sequence[Spectrum]) -> list[str]:
    """Which of some spectra have sites (or tips) that differ by more than chance, a sentence for each kind of feature.

    Parameters
    ----------
    spectra : sequence of Spectrum
    """
    apart: dict[str, list[tuple[Any, Spectrum]]] = {}
    for one in spectra:
        rows = [row for row in rows_of(one.differences) if row.differ] if one.differences is not None else []
        whole = any(row.feature == GAP for row in rows)
        for row in rows:
            if not (whole and row.feature.endswith("edge")):  # a gap that differs has edges that do
                apart.setdefault(row.feature, []).append((row, one))
    said = []
    for feature, found in apart.items():
        row, one = min(found, key=lambda pair: pair[0].p)
        where = "" if len(spectra) == 1 else f" in {len(found)} of {len(spectra)} spectra, surest in {one.label}"
        unit = "meV" if feature == GAP else "mV"
        low, high = (f"{with_prefix(value, unit, 4)} at {place}" for value, place in
                     ((row.lowest_mV, row.lowest), (row.highest_mV, row.highest)))  # fmt: skip
        chance = f"p = {row.p:.1g}" if row.p >= 1e-4 else "p < 0.0001"
        differs = f"differs between {row.level}s by more than the {row.against}{where}"
        said.append(f"{_feature_name(feature)} {differs}: {low}, {high} ({chance}).")
    if said:
        said.append("An average over them is that of no one place.")
    return said


def _feature_name(feature: str) -> str:
    if feature.startswith("peak"):
        return f"The position of {feature}"
    return f"The {feature}" + ("" if feature == GAP else " of the gap")


def resolution_words(spectra: Sequence[Spectrum]) -> str:
    """The energy resolution of spectra or its range; a lower bound where the modulation is not known.

    Parameters
    ----------
    spectra : sequence of Spectrum
    """
    widths = [s.resolution.total_V for s in spectra if s.resolution.total_V > 0]
    if not widths:
        return "resolution unknown"
    low, high = min(widths), max(widths)
    size = with_prefix(high, "eV") if low >= 0.95 * high else range_with_prefix(low, high, "eV")
    told = [_electron_words(s) for s in spectra if s.resolution.total_V > 0]
    electrons = told[0] if len(set(told)) == 1 else "electron temperature of each in the table"
    if any(modulation_unknown(s) for s in spectra):
        beside = "; ".join(filter(None, ("modulation unknown", electrons)))
        return f"resolution at least {size} ({beside})"
    return f"resolution {size}" + (f" ({electrons})" if electrons else "")


def _electron_words(spectrum: Spectrum) -> str:
    """Which temperature a resolution holds, where it is not the bath's; else ""."""
    r = spectrum.resolution
    if not r.electron_temperature_K > 0:
        return ""
    error, width = r.electron_temperature_se_K, r.total_se_V
    kelvin = f"{r.electron_temperature_K:.3g}" + (f" ± {error:.2g}" if error > 0 else "")
    bath = f"{r.bath_temperature_K:.3g} K" if r.bath_temperature_K > 0 else "not recorded"
    u = f"u {with_prefix(width, 'eV', 2)} by the " if width > 0 else ""
    return f"{u}electron temperature {kelvin} K, measured; bath {bath}"


def broadened_words(spectrum: Spectrum) -> str:
    """What broadened the I/V of the form that runs through the gap, to follow other words; "" where there is none.

    Parameters
    ----------
    spectrum : Spectrum
    """
    one = spectrum.broadened
    if one is None:
        return ""
    kernel = {
        "exponential": "an exponential kernel, decay",
        "gaussian": "a Gaussian kernel, full width at half height",
    }[one.kind]
    return f"; I/V is broadened by {kernel} {with_prefix(one.width_V, 'V')}"


def widest_chosen(spectrum: Spectrum) -> bool:
    """Whether the smoothing ran into the widest width tried.

    Parameters
    ----------
    spectrum : Spectrum
    """
    table = spectrum.criterion
    if table is None or not len(table):
        return False
    chosen = table.loc[table["chosen"].astype(bool), "width_V"].to_numpy(float)
    return bool(chosen.size and chosen[0] >= table["width_V"].max())


def spectra_words(spectra: Sequence[Spectrum]) -> tuple[str, str]:
    """What spectra show, sample by sample, and what to mind.

    Parameters
    ----------
    spectra : sequence of Spectrum
    """
    by_sample: dict[str, list[Spectrum]] = {}
    for one in spectra:
        by_sample.setdefault(str(one.keys.get("sample", one.label)), []).append(one)
    methods = {str(m) for s in spectra if s.gaps is not None for m in s.gaps["gap_method"]}
    warning = ""
    if ONSET in methods and any(m.startswith(BANDS) for m in methods):
        warning = (
            "The gap by band edges comes from bands fitted with their blur. By log onset it is only bounded: dI/dV leaves its "
            "floor inside of the edges where blur rounds them, outside where a band rises slowly."
        )
    alike = [s for s in spectra for key in s.suggested if key == "superconductor"]
    if alike:
        which = alike[0].label if len(alike) == 1 else f"{len(alike)} spectra"
        hint = f"{which}: a dip with shoulders at low temperature. This looks like a gap to fit: features.superconductor = true."
        warning = f"{warning} {hint}".strip()
    said = [s for sample, group in list(by_sample.items())[:MOST_NAMED] for s in _group_words(sample, group)]
    if any("±" in sentence for sentence in said):
        said.append("Here ± is twice the standard uncertainty.")
    if len(by_sample) > MOST_NAMED:
        said.append(f"{count(len(by_sample) - MOST_NAMED, 'more sample')} stand in the table.")
    return " ".join(said), warning


def lockin_words(spectra: Sequence[Spectrum]) -> list[str]:
    """What lock-in channels say against the currents of the same sweeps, and which of the two dI/dV comes from.

    Parameters
    ----------
    spectra : sequence of Spectrum

    Returns
    -------
    list of str
        A sentence each; none where there was no lock-in channel beside a current.
    """
    compared = [s.lockin for s in spectra if s.lockin is not None]
    said = []
    if compared:
        ends = [c.end_to_end for c in compared if c.end_to_end is not None and math.isfinite(c.end_to_end.value)]
        ratio = "Lock-in against numerical dI/dV"
        if len(ends) == 1:
            digits = max(decimals_for((ends[0].high - ends[0].low) / 2, default=4), 1)
            value, low, high = (f"{x:.{digits}f}" for x in (ends[0].value, ends[0].low, ends[0].high))
            ratio += f", end to end: ∫lock-in dV / ΔI = {value} (from {low} to {high})"
        elif ends:
            ratio += (
                f", end to end: ∫lock-in dV / ΔI = {min(e.value for e in ends):.3f} to {max(e.value for e in ends):.3f}"
            )
        verdicts = [_LOCKIN_VERDICTS[c.agrees] for c in compared]
        words = dict.fromkeys(verdicts)
        found = [word if len(words) == 1 else f"{word} in {verdicts.count(word)} of {len(verdicts)}" for word in words]
        if len(compared) == 1 and compared[0].unit != "S":
            found = [compared[0].verdict]
        said.append(f"{ratio}: {listed(found)}.")
    calibrated = [s.source for s in spectra if s.from_lockin and s.source is not None]
    if calibrated:
        where = "" if len(calibrated) == len(spectra) else f" in {len(calibrated)} of {len(spectra)} spectra"
        said.append(f"dI/dV is that of the lock-in channel{where}, calibrated by its integral against the current.")
        whys = dict.fromkeys(s.why for s in calibrated)
        said[-1] = f"{said[-1][:-1]}: {' / '.join(whys)}."
    return said


def didv_from_words(one: Spectrum) -> str:
    """Which channel dI/dV of a spectrum comes from, why, and how it was calibrated; "" where there was one only.

    Parameters
    ----------
    one : Spectrum
    """
    source = one.source
    if source is None:
        return ""
    if not one.from_lockin:
        return f"dI/dV is the numerical derivative of the current, not the lock-in channel: {source.why}"
    unit = source.unit or "unit of the channel"
    words = f"dI/dV is that of the lock-in channel ({source.why}), times {source.gain:.5g} ({source.gain_se:.1g})"
    words += "" if source.unit == "S" else f" S per {unit}"
    if source.zero_S:
        size = f"{with_prefix(source.zero_S * 1e12, 'pS')} ({with_prefix(source.zero_se_S * 1e12, 'pS')})"
        words += f", plus {size} for its zero"
    return f"{words}, so that its integral is the current; in brackets standard uncertainties, which are in the band"


def _group_words(sample: str, group: Sequence[Spectrum]) -> list[str]:
    """What the spectra of a sample show, one sentence for each finding."""
    name = group[0].label if len(group) == 1 else sample or "all sweeps"
    sweeps = count(len({name for s in group for name in s.sweeps}), "sweep")
    number = sweeps if len(group) == 1 else f"{len(group)} spectra of {sweeps}"
    gaps = _gap_parts(group)
    said = [f"{name[:1].upper()}{name[1:]}: {number}.", *difference_words(group), *(f"Gap {part}." for part in gaps)]
    if not gaps:
        said.append(f"{_no_gap(group).capitalize()}.")
    for model in MODELS:
        if len(group) == 1 and (fit := group[0].fits.get(model.key)) is not None:
            said.append(f"{model.title}: fit {fit.verdict}." if fit.errors else f"{model.title}: {fit.verdict}.")
            said += [f"{part}." for part in _parameter_words(model, fit)]
    resolution = resolution_words(group)
    said.append(f"{resolution[:1].upper()}{resolution[1:]}.")
    if widest := sum(widest_chosen(s) for s in group):
        where = "" if len(group) == 1 else f" in {widest} of {len(group)}"
        said.append(f"The widest smoothing tried was chosen{where}: no structure asks for a finer one.")
    return said
