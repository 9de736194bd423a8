"""The command that calibrates: height scale, and the electron temperature from a superconducting gap."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from cli.calling import run, said

import sts
from sts.cli import main
from sts.session import Session
from sts.simulate import Bench, superconductor
from sts.spectra.junction_temperature import read_temperature


def test_height_calibration_scales_barriers_with_its_square(demo, capsys, tmp_path):
    before = json.loads(run(capsys, "barrier", demo, "--json")[1])
    copy = tmp_path / "copy.h5"
    copy.write_bytes(demo.read_bytes())
    status, out, _ = run(
        capsys,
        "calibrate",
        copy,
        "height",
        "--measured",
        "0.235478 nm",
        "--measured-se",
        "0.005 nm",
        "--known",
        "0.24725 nm",
    )
    assert status == 0
    assert "1.05" in out
    assert f"Barriers are multiplied by {1.05**-2:.4f}" in out  # more height for the same decay: a lower barrier
    after = json.loads(run(capsys, "barrier", copy, "--json")[1])
    for one, two in zip(before, after, strict=True):
        assert two["barrier_eV"] / one["barrier_eV"] == pytest.approx(1 / 1.05**2, rel=1e-3)
        assert two["calibration_se_eV"] == pytest.approx(2 * two["barrier_eV"] * 0.005 / 0.235478, rel=0.02)
        assert two["total_se_eV"] > two["barrier_se_eV"]
        assert one["total_se_eV"] is None
    assert "u in total eV" in said(capsys, "barrier", copy)
    assert "u eV, without the height scale" in said(capsys, "barrier", demo)


def test_a_calibration_is_shown_and_half_of_one_refused(session: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "No calibration is stored" in said(capsys, "calibrate", session, "height")
    assert "needs --measured" in said(capsys, "calibrate", session, "height", "--known", "au111", code=2)
    measured = ("--measured", "0.25 nm", "--measured-se", "0.01 nm", "--known", "0.235 nm", "--known-se", "1 pm")
    told = json.loads(said(capsys, "calibrate", session, "height", *measured, "--source", "a step", "--json"))
    assert [row["kind"] for row in told] == ["height"]
    assert told[0]["factor"] == pytest.approx(0.235 / 0.25)
    shown = said(capsys, "calibrate", session, "height")
    assert "0.9400" in shown
    assert "a step" in shown


def test_steps_of_several_days_calibrate_the_height(
    session: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    (tmp_path / "steps.csv").write_text(
        "day,place,measured (nm),temperature (K)\n1,A,0.242,295\n1,B,0.240,295\n2,A,0.236,295\n3,A,0.239,295\n",
        encoding="utf-8",
    )
    told = said(capsys, "calibrate", session, "height", "--steps", tmp_path / "steps.csv", "--known", "au111")
    assert "(4 steps at 2 places on 3 days; they differ by" in told
    assert "95 % interval of the factor for a session: " in told
    row = Session(session).calibrations().iloc[-1]
    assert row["dof"] == pytest.approx(2, rel=0.02)
    assert row["temperature_K"] == 295
    two = ("--measured", "0.242 nm", "--measured", "0.238 nm", "--known", "au111")
    assert "note: One day: how much the scale changes" in said(capsys, "calibrate", session, "height", *two)
    assert "without --measured-se" in said(
        capsys, "calibrate", session, "height", *two, "--measured-se", "1 pm", code=2
    )
    assert "are of heights" in said(capsys, "calibrate", session, "current", *two, code=2)


@pytest.fixture(scope="module")
def cold(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Lead at 1.8 K where the thermometer of the bath says 1.5 K, a sweep of gold beside it, and one at 4 K; invented."""
    folder = tmp_path_factory.mktemp("cold")
    made = sts.simulate_iv(
        density=superconductor(gap_eV=1.35e-3, broadening_eV=3e-5), bias=(-6e-3, 6e-3, 101), temperature_K=1.8, sweeps=6,
        bench=Bench(white_A=4e-13, setpoint_scatter=0.02), seed=6,
    ).sweeps  # fmt: skip
    for name, row in zip(made.names, made.current, strict=True):
        pd.DataFrame({"bias (V)": made.axis, "current (A)": row}).to_csv(folder / f"lead_{name}.csv", index=False)
    for name in ("gold", "warm"):
        ohmic = 1e-7 * made.axis + 1e-12 * np.random.default_rng(ord(name[0])).standard_normal(101)
        pd.DataFrame({"bias (V)": made.axis, "current (A)": ohmic}).to_csv(folder / f"{name}.csv", index=False)
    book = "file,sample,tip,temperature (K)\nlead_*,lead,heron,1.5\ngold*,gold,heron,1.5\nwarm*,warm,heron,4.2\n"
    (folder / "book.csv").write_text(book, encoding="utf-8")
    files = [str(path) for path in folder.glob("*.csv") if path.name != "book.csv"]
    assert main(["import", *files, "--into", str(folder / "s.h5"), "--logbook", str(folder / "book.csv")]) == 0
    return folder / "s.h5"


@pytest.mark.usefixtures("unprinted")
def test_the_electron_temperature_of_a_gap_is_that_of_all_sweeps_as_cold(
    cold: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    what = ("calibrate", cold, "electron-temperature")
    told = json.loads(said(capsys, *what, "--sample", "lead", "--json"))
    assert told["low_K"] < 1.8 < told["high_K"]  # planted
    value, se = read_temperature(told["electron_temperature"])
    assert (value, se) == (pytest.approx(told["value_K"], abs=se), pytest.approx(told["se_K"], rel=0.05))
    assert "superconducting gap of lead, heron" in told["source"]
    table = Session(cold).sweeps("iv").set_index("sweep")
    assert table.loc["gold", "electron_temperature"] == told["electron_temperature"]
    assert table.loc["warm", "electron_temperature"] == ""  # another temperature of the bath
    assert "measured on" in said(capsys, *what)
    out = said(capsys, "spectra", cold, "--out", tmp_path / "out")
    assert f"The electron temperature {told['electron_temperature']} was measured: superconducting gap" in " ".join(
        out.split()
    )
    rows = pd.read_csv(tmp_path / "out" / "spectra_summary.csv", comment="#").set_index("sample")
    assert rows.loc["gold", "temperature_K"] == pytest.approx(value)
    assert rows.loc["gold", "resolution_se_meV"] > 0
    assert rows.loc["warm", "temperature_K"] == pytest.approx(4.2)
    said(capsys, "annotate", cold, "--undo")
    assert "No electron temperature is stored" in said(capsys, *what)


@pytest.mark.parametrize(
    ("more", "words"),
    [
        (("--sample", "gold"), "the electron temperature is not measured: 1 of the three repeats"),
        (("--tip", "heron"), "these sweeps make 3"),
        (("--sweeps", "lead_*", "--known", "1 K"), "measured on sweeps: choose them"),
    ],
)
def test_nothing_is_stored_where_sweeps_do_not_tell_it(
    cold: Path, capsys: pytest.CaptureFixture[str], more: tuple[str, ...], words: str
) -> None:
    before = len(Session(cold).annotations())
    assert words in " ".join(said(capsys, "calibrate", cold, "electron-temperature", *more, code=2).split())
    assert len(Session(cold).annotations()) == before
    assert "are for electron-temperature" in said(capsys, "calibrate", cold, "height", "--tip", "heron", code=2)
