"""Which sweeps an electron temperature is stored for, with what words, and that one which is only bounded is not stored.

That it is the planted one is tested where it is measured (tests/spectra) and through the command (tests/cli/test_calibrate.py)."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import sts
from sts.analysis import electron_temperature as module
from sts.analysis.electron_temperature import store_electron_temperature, stored_temperatures
from sts.session import Session
from sts.spectra.electron_temperature import ElectronTemperature

NAN = float("nan")


def session_of(folder: Path, name: str) -> Path:
    """Three ohmic sweeps at 1.5 K and one at 4.2 K; invented."""
    v = np.linspace(-6e-3, 6e-3, 41)
    for number in range(4):
        noise = 1e-12 * np.random.default_rng([number, ord(name[0])]).standard_normal(41)
        pd.DataFrame({"bias (V)": v, "current (A)": 1e-7 * v + noise}).to_csv(
            folder / f"{name}_{number}.csv", index=False
        )
    book = folder / f"{name}_book.txt"
    book.write_text(f"file,tip,temperature (K)\n{name}_3*,heron,4.2\n{name}_*,heron,1.5\n", encoding="utf-8")
    sts.import_files([folder / f"{name}_{k}.csv" for k in range(4)], folder / f"{name}.h5", logbook=book)
    return folder / f"{name}.h5"


def planted(monkeypatch: pytest.MonkeyPatch, found: ElectronTemperature) -> None:
    monkeypatch.setattr(module, "electron_temperature", lambda *_: found)


def test_it_holds_for_the_sweeps_as_cold_of_the_same_session(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    planted(monkeypatch, ElectronTemperature(1.9, 0.02, 1.86, 1.94, "", 1.35, 0.05))
    session = Session.open(session_of(tmp_path, "lead"))
    sts.merge(session.path, session_of(tmp_path, "monday"))
    day = datetime(2026, 11, 27, tzinfo=UTC)
    stored = store_electron_temperature(session, ["lead_0", "lead_1"], now=day)
    assert stored.sweeps == ("lead_0", "lead_1", "lead_2")  # neither the warm one nor those of the session merged
    assert stored.text == "1.900(20) K"
    assert (
        "2 sweeps, lead_0 to lead_1; Δ 1.35 meV, Γ 0.05 meV, 95 % interval 1.86 to 1.94 K; fitted on 2026-11-27"
        in stored.source
    )
    assert stored_temperatures(session).to_numpy().tolist() == [["1.900(20) K", stored.source, 3]]
    log = session.annotations()
    assert set(log["column"]) == {"electron_temperature", "electron_temperature_from"}
    assert set(log["source"]) == {stored.source}


def test_a_bound_is_not_stored(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    planted(monkeypatch, ElectronTemperature(NAN, NAN, 0.0, 0.7, "it is below 0.7 K"))
    session = Session.open(session_of(tmp_path, "lead"))
    with pytest.raises(ValueError, match=r"is not measured: it is below 0\.7 K\. Nothing was stored"):
        store_electron_temperature(session, ["lead_0", "lead_1"])
    assert stored_temperatures(session).empty
    assert session.annotations().empty


def test_height_sweeps_among_the_chosen_do_not_count(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A sample's sweeps are of both kinds: the first I(z) sweep was said not to be there."""
    planted(monkeypatch, ElectronTemperature(1.9, 0.02, 1.86, 1.94, "", 1.35, 0.05))
    session = Session.open(session_of(tmp_path, "lead"))
    z = np.linspace(0, 3e-10, 60)
    pd.DataFrame({"z (m)": z, "current (A)": 1e-9 * np.exp(-2e10 * z)}).to_csv(tmp_path / "ramp_0.csv", index=False)
    sts.import_files([tmp_path / "ramp_0.csv"], session.path)
    assert store_electron_temperature(session, ["ramp_0", "lead_0", "lead_1"]).text == "1.900(20) K"
    with pytest.raises(ValueError, match="none is I"):
        store_electron_temperature(session, ["ramp_0"])
