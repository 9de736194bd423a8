"""Measured sweeps through the commands, with the recipes kept here; the numbers are those of the data's own README."""

from __future__ import annotations

import json
import statistics
from pathlib import Path

import pytest

import sts
from sts.cli import main

pytestmark = pytest.mark.usefixtures("unprinted")

RECIPES = Path(__file__).resolve().parents[1] / "recipes"


@pytest.fixture
def through(opendata, tmp_path, capsys):
    """Import a file with a recipe and return what `sts spectra` (or `sts check`) prints as JSON, and its folder."""

    def run(file, recipe, *options, command="spectra"):
        session = tmp_path / "s.h5"
        assert main(["import", str(opendata / file), "--recipe", str(RECIPES / recipe), "--into", str(session)]) == 0
        capsys.readouterr()
        out = ["--out", str(tmp_path / "out")] if command == "spectra" else []
        assert main([command, str(session), *out, "--json", *options]) == 0
        return json.loads(capsys.readouterr().out), tmp_path / "out"

    return run


def test_the_lockin_of_the_first_array_agrees(through):
    """Numerical over lock-in dI/dV: 1.0045 ± 0.004 (README of cbt-array-calibration; all its files in test_average.py)."""
    (row,), _ = through("cbt-array-calibration/d475.csv", "cbt-copper.toml")
    assert 1 / row["lockin_gain"] == pytest.approx(1.0045, abs=0.004)
    assert "lock-in mismatch" not in row["flags"]


def test_the_lockin_of_the_second_array_is_reported_as_a_mismatch(through):
    """0.968 by the slope of the whole sweep over the mean lock-in (README); 0.975 like against like.

    A straight line through I(V) weighs the middle of the sweep, where the dip is, more than a plain mean of the lock-in
    does. End to end, by the slope of the integrated lock-in or point by point the ratio is 0.975 in all three files.
    """
    (row,), _ = through("cbt-array-calibration/d489.csv", "cbt-indium.toml")
    assert 1 / row["lockin_gain"] == pytest.approx(0.975, abs=0.003)
    assert "lock-in mismatch" in row["flags"]
    assert row["lockin"].startswith("mismatch")


def test_a_lockin_channel_of_unknown_unit_gets_no_siemens(through):
    rows, out = through("sts-nbs2-line/figure3b_sts.txt", "nbs2.toml")
    assert len(rows) == 7  # places that differ by more than their noise: not repeats of one
    assert {row["didv_unit"] for row in rows} == {""}
    gaps = [row["gap_meV"] for row in rows if row["gap_meV"]]
    assert 8 < statistics.median(gaps) < 24  # "of the order of 20 meV" (abstract)
    assert all(row["gap_method"].startswith("soft gap") for row in rows if row["gap_meV"])
    head, first = (out / "spectra.csv").read_text(encoding="utf-8").splitlines()[:2]
    assert first.split(",")[head.split(",").index("didv_S")] == ""


@pytest.mark.parametrize(
    ("file", "recipe", "offset_mV", "gapped"),
    [
        ("run15_selected_spectra.csv", "nis-selected.toml", 0.042, 3),
        ("run16_selected_spectra.csv", "nis-selected.toml", 0.042, 3),
        ("77.dat", "nis-map.toml", 0.010, 73),  # of 101 fields, those with a dip of a fifth or more
    ],
)
def test_the_bias_offset_of_every_gapped_spectrum_is_the_authors(opendata, tmp_path, file, recipe, offset_mV, gapped):
    """+0.042 mV (runs 15, 16) and +0.010 mV (run 77) within 0.005, from the authors' notebooks; none without a gap."""
    session, path = tmp_path / "s.h5", opendata / "nis-eus-al-sample1" / file
    assert main(["import", str(path), "--recipe", str(RECIPES / recipe), "--into", str(session)]) == 0
    plan = sts.Plan(spectra={"by": ["sweep"]}, features={"gap": False, "peaks": False, "superconductor": False})
    spectra = sts.analyse(session, plan, only="iv").spectra  # no figures of 101 of them
    offsets = spectra.summary["symmetry_offset_mV"].dropna().tolist()
    assert len(offsets) == gapped
    assert offsets == pytest.approx([offset_mV] * gapped, abs=0.005)


def test_a_sweep_that_turns_back_is_split(through):
    checked, _ = through("jj-helimagnet-dvdi/critical_current_10.txt", "jj-measured.toml", command="check")
    assert {row["direction"] for row in checked} == {"up", "down"}


def test_a_differential_resistance_is_not_taken_for_a_conductance(through):
    """dV/dI in ohm without a current (the recipe's file): no spectrum, no gap, and the reason is said."""
    rows, out = through("jj-helimagnet-dvdi/critical_current_30_third_cooldown.txt", "jj-measured.toml")
    assert rows == []
    assert (
        (out / "spectra.csv").read_text(encoding="utf-8").startswith("sample,tip,setpoint_current_A,bias_V,current_A,")
    )


@pytest.mark.parametrize("together", [True, False])
def test_clipped_and_jumping_sweeps_are_flagged_alone_and_beside_others(capsys, opendata, tmp_path, together):
    files = [str(file) for file in sorted((opendata / "rram-cu-taox-pt-iv").glob("*.csv"))]
    rows = []
    for number, part in enumerate([files] if together else [[file] for file in files]):
        session = tmp_path / f"r{number}.h5"
        assert main(["import", *part, "--recipe", str(RECIPES / "rram.toml"), "--into", str(session)]) == 0
        capsys.readouterr()
        assert main(["check", str(session), "--json"]) == 0
        rows += json.loads(capsys.readouterr().out)
    assert len(rows) == 5
    for row in rows:
        assert {"saturated", "jump"} <= set(row["flags"].split(";")), row["sweep"]
