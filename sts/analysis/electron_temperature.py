"""The electron temperature: measured on a superconducting gap that sweeps of a session show, stored as a label of all alike."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np
import pandas as pd

from sts.analysis.measured import Progress, measure, opened_session
from sts.curves.averaging import common_value
from sts.plan import Plan
from sts.provenance import origins
from sts.session import Session, annotate
from sts.session.adding import time_text
from sts.spectra.electron_temperature import ElectronTemperature, electron_temperature
from sts.spectra.junction_temperature import FROM, LABEL, temperature_text
from sts.spectra.spectrum import Spectrum

ALIKE = 0.1  # of the bath's temperature: sweeps within it are of one temperature, as everywhere


@dataclass(frozen=True, eq=False)
class StoredTemperature:
    """An electron temperature that was measured and stored.

    Attributes
    ----------
    found : ElectronTemperature
    text : str
        As it stands in the column `electron_temperature`.
    source : str
        What it was measured on, as in `electron_temperature_from`.
    sweeps : tuple[str, ...]
        Names of the I(V) sweeps that it holds for: those at the same temperature of the bath, of the same session where several
        were merged.
    """

    found: ElectronTemperature
    text: str
    source: str
    sweeps: tuple[str, ...]


def store_electron_temperature(
    session: Session | str | Path,
    sweeps: Sequence[str],
    plan: Plan | None = None,
    *,
    progress: Progress | None = None,
    now: datetime | None = None,
) -> StoredTemperature:
    """Measure the electron temperature on sweeps of a superconductor, and label the I(V) sweeps that it holds for with it.

    Parameters
    ----------
    session : Session or path
    sweeps : sequence of str
        Names of sweeps whose I(V) make one spectrum with a superconducting gap; I(z) sweeps among them do not count.
    plan : Plan, optional
    progress : callable(done, total), optional
    now : datetime, optional

    Returns
    -------
    StoredTemperature

    Raises
    ------
    ValueError
        If they make no spectrum or several, or if the spectrum does not tell the temperature but bounds it at best: nothing is
        stored then.
    SessionError
        If the session cannot be used.
    """
    opened, settings = opened_session(session), plan or Plan()
    heights = set(opened.sweeps("iz")["sweep"])
    biased = [name for name in sweeps if name not in heights]
    if not biased:
        raise ValueError(f"{opened.path}: of these {len(sweeps)} sweeps none is I(V); a gap shows in I(V) only.")
    measured = measure(opened, settings, only="iv", sweeps=biased, progress=progress)
    analysis = measured.summarise(opened.decisions())
    spectra = analysis.spectra.spectra if analysis.spectra else ()
    if len(spectra) != 1:
        labels = "; ".join(spectrum.label for spectrum in spectra) or "none"
        raise ValueError(
            f"{opened.path}: the electron temperature is measured on one spectrum, and these sweeps make {len(spectra)}: {labels}. "
            "Choose by --sample, --tip, --site or --sweeps."
        )
    group = next(part for part in measured.settled if set(spectra[0].sweeps) <= set(part.names))
    found = electron_temperature(spectra[0], group, settings)
    if not np.isfinite(found.value):
        raise ValueError(
            f"{spectra[0].label}: the electron temperature is not measured: {found.why}. Nothing was stored."
        )
    text, source = (
        temperature_text(found.value, found.se),
        _source(spectra[0], found, settings.compare.confidence, time_text(now)[:10]),
    )
    of = _like(opened, group.table[np.isin(group.names, spectra[0].sweeps)])
    annotate(opened.path, lambda table, _: _labelled(table, of, text, source), source=source, now=now)
    return StoredTemperature(found, text, source, tuple(sorted(of)))


def stored_temperatures(session: Session | str | Path) -> pd.DataFrame:
    """The electron temperatures that the I(V) sweeps of a session are labelled with, on what measured, and of how many `sweeps`.

    Parameters
    ----------
    session : Session or path
    """
    table = opened_session(session).sweeps("iv")
    own = {name: table[name].fillna("") if name in table else "" for name in (LABEL, FROM)}
    table = table.assign(**own)
    return table[table[LABEL] != ""].groupby([LABEL, FROM], sort=False).size().rename("sweeps").reset_index()


def _source(spectrum: Spectrum, found: ElectronTemperature, confidence: float, day: str) -> str:
    names = spectrum.sweeps
    which = names[0] if len(names) == 1 else f"{names[0]} to {names[-1]}"
    return (
        f"superconducting gap of {spectrum.label}: {len(names)} sweeps, {which}; Δ {found.gap_meV:.3g} meV, "
        f"Γ {found.broadening_meV:.2g} meV, {100 * confidence:g} % interval {found.low:.4g} to {found.high:.4g} K; "
        f"fitted on {day}"
    )


def _like(opened: Session, fitted: pd.DataFrame) -> set[str]:
    """Names of the I(V) sweeps of the same session merged, with the bath at the temperature of those that were fitted."""
    sources, bath = opened.sources(), common_value(fitted["temperature_K"])
    table = opened.sweeps("iv")
    same = np.isin(origins(table, sources), list(set(origins(fitted, sources))))
    near = np.abs(table["temperature_K"].to_numpy(float) - bath) <= ALIKE * bath
    return set(table.loc[same & near, "sweep"]) | set(fitted["sweep"])


def _labelled(table: pd.DataFrame, of: set[str], text: str, source: str) -> pd.DataFrame:
    rows = table["sweep"].isin(of)
    if not rows.any():
        return table
    own = {name: table[name] if name in table else pd.Series("", table.index, object) for name in (LABEL, FROM)}
    return table.assign(**{name: own[name].where(~rows, value) for name, value in ((LABEL, text), (FROM, source))})
