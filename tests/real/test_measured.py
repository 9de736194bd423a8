"""Measured sweeps through the commands, with the recipes kept here; the numbers are those of the data's own README."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from sts.cli import main

RECIPES = Path(__file__).resolve().parents[1] / "recipes"


@pytest.fixture
def through(opendata, tmp_path, capsys):
    """Import a file with a recipe and return what `sts check` and `sts spectra` print as JSON."""

    def run(file, recipe, *options):
        session = tmp_path / "s.h5"
        assert main(["import", str(opendata / file), "--recipe", str(RECIPES / recipe), "--into", str(session)]) == 0
        capsys.readouterr()
        assert main(["check", str(session), "--json"]) == 0
        checked = json.loads(capsys.readouterr().out)
        assert main(["spectra", str(session), "--out", str(tmp_path / "out"), "--json", *options]) == 0
        return checked, json.loads(capsys.readouterr().out), tmp_path / "out"

    return run


@pytest.mark.parametrize("name", ["d475", "d483", "d489"])
def test_the_lockin_of_the_first_array_agrees(through, name):
    """Numerical over lock-in dI/dV: 1.0045 ± 0.004 (README of cbt-array-calibration)."""
    _, (row,), _ = through(f"cbt-array-calibration/{name}.csv", "cbt-copper.toml")
    assert 1 / row["lockin_gain"] == pytest.approx(1.0045, abs=0.004)
    assert "lock-in mismatch" not in row["flags"]


@pytest.mark.parametrize("name", ["d475", "d483", "d489"])
def test_the_lockin_of_the_second_array_is_reported_as_a_mismatch(through, name):
    """0.968 by the slope of the whole sweep over the mean lock-in; 0.975 point by point at one resolution."""
    _, (row,), _ = through(f"cbt-array-calibration/{name}.csv", "cbt-indium.toml")
    assert 1 / row["lockin_gain"] == pytest.approx(0.975, abs=0.003)
    assert "lock-in mismatch" in row["flags"]
    assert row["lockin"].startswith("mismatch")


def test_a_lockin_channel_of_unknown_unit_gets_no_siemens(through):
    _, (row,), out = through("sts-nbs2-line/figure3b_sts.txt", "nbs2.toml")
    assert row["didv_unit"] == ""
    assert 8 < row["gap_meV"] < 24  # "of the order of 20 meV" (abstract)
    assert row["gap_method"].startswith("soft gap")
    head, first = (out / "spectra.csv").read_text(encoding="utf-8").splitlines()[:2]
    assert first.split(",")[head.split(",").index("didv_S")] == ""


def test_the_bias_offset_of_even_spectra_is_the_authors(through):
    """+0.042 mV within 0.005 for run 15 (the authors' notebooks), at the deepest gap."""
    _, rows, _ = through("nis-eus-al-sample1/run15_selected_spectra.csv", "nis-selected.toml", "--by", "sweep")
    offsets = [row["symmetry_offset_mV"] for row in rows]
    assert any(abs(offset - 0.042) < 0.005 for offset in offsets)


def test_a_sweep_that_turns_back_is_split(through):
    checked, _, _ = through("jj-helimagnet-dvdi/critical_current_10.txt", "jj-measured.toml")
    assert {row["direction"] for row in checked} == {"up", "down"}


def test_a_clipped_and_jumping_sweep_is_flagged(capsys, opendata, tmp_path):
    session = tmp_path / "r.h5"
    for name in ("w1_set_20uA_a", "w1_set_50uA"):
        file = opendata / "rram-cu-taox-pt-iv" / f"{name}.csv"
        assert main(["import", str(file), "--recipe", str(RECIPES / "rram.toml"), "--into", str(session)]) == 0
    capsys.readouterr()
    assert main(["check", str(session), "--json"]) == 0
    for row in json.loads(capsys.readouterr().out):
        assert {"saturated", "jump"} <= set(row["flags"].split(";"))
