"""The demo data: invented, made anew byte for byte, and an honest analysis finds what was planted and nothing else."""

from __future__ import annotations

import json
from pathlib import Path

import make_demo
import pytest

from sts.analysis import Analysis

DEMO = Path(__file__).resolve().parent.parent / "data" / "demo"
TRUTH = json.loads((DEMO / "truth.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def analysis(demo_analysis: Analysis) -> Analysis:
    return demo_analysis


def test_the_seed_makes_every_file_again_byte_for_byte(tmp_path, monkeypatch):
    monkeypatch.setattr(make_demo, "DEMO", tmp_path)
    make_demo.main()
    made = {p.relative_to(tmp_path): p.read_bytes() for p in tmp_path.rglob("*") if p.is_file()}
    kept = {p.relative_to(DEMO): p.read_bytes() for p in DEMO.rglob("*") if p.is_file() and p.name != "README.md"}
    assert made.keys() == kept.keys()
    assert [str(name) for name in made if made[name] != kept[name]] == []


def test_it_is_small_and_says_that_it_is_invented():
    assert sum(p.stat().st_size for p in DEMO.rglob("*") if p.is_file()) < 1.5e6
    assert "invented" in (DEMO / "README.md").read_text(encoding="utf-8")
    assert "not measured" in TRUTH["note"]


@pytest.mark.parametrize(
    ("name", "encoding", "start", "row"),
    [
        ("iz/heron_s1_r1.csv", "utf-8", "z (nm),I (nA) retract", "0.0129496,"),
        ("iz/curlew_s1_r1.txt", "cp1252", "z / nm;I / pA", "0,0024"),
        ("iz/sandpiper_s1_r1_retract.dat", "utf-8", "z [Å]\tI [µA]", "0.06"),
        ("iv/layer_100pA.txt", "cp1252", "U (mV);I (pA) up 1", "-1390;"),
    ],
)
def test_its_files_are_written_in_different_dialects(name, encoding, start, row):
    lines = (DEMO / name).read_bytes().decode(encoding).splitlines()
    head = next(i for i, line in enumerate(lines) if line.startswith(start))
    assert any(line.startswith(row) for line in lines[head + 1 : head + 8])


def test_every_tip_is_found_within_its_interval(analysis):
    tips = analysis.barrier.tips.set_index("tip")
    assert set(tips.index) == set(TRUTH["tips"])
    for tip, known in TRUTH["tips"].items():
        assert tips.loc[tip, "barrier_low_eV"] <= known["barrier_eV"] <= tips.loc[tip, "barrier_high_eV"], tip
        assert tips.loc[tip, "sites"] == 4
    assert (tips["barrier_eV"] / [TRUTH["tips"][t]["barrier_eV"] for t in tips.index]).between(0.97, 1.03).all()


def test_only_sandpiper_is_said_not_to_be_a_work_function(analysis):
    low = analysis.judged[analysis.judged["flags"].str.contains("low barrier")]
    assert set(low["tip"]) == {"sandpiper"}
    tips = analysis.barrier.tips.set_index("tip")["note"]
    assert tips.index[tips.str.contains("not a work function")].tolist() == ["sandpiper"]


def test_every_planted_fault_is_flagged_and_nothing_else(analysis):
    flags = {row.sweep: set(row.flags.split(";")) - {""} for row in analysis.judged.itertuples()}
    for kind in ("jump", "saturated"):
        assert {sweep for sweep, found in flags.items() if kind in found} == set(TRUTH["faults"][kind])
    planted = {sweep for sweeps in TRUTH["faults"].values() for sweep in sweeps}
    others = {sweep: found - {"low barrier"} for sweep, found in flags.items() if sweep not in planted}
    assert {sweep: found for sweep, found in others.items() if found} == {}
    left_out = analysis.judged.loc[~analysis.judged["used"].astype(bool), "sweep"]
    assert set(left_out) == set(TRUTH["faults"]["jump"])


def test_the_gap_and_the_offsets_are_those_of_the_truth(analysis):
    summary = analysis.spectra.summary
    layer = summary[summary["sample"] == "layered semiconductor"]
    assert len(layer) == 3
    distance = (layer["gap_meV"] - TRUTH["gap_eV"] * 1e3).abs()
    assert (distance < 3 * layer["gap_se_meV"]).all()
    assert distance.max() < 10
    gold = summary[summary["sample"] == "gold film"]
    assert (gold["bias_offset_mV"] - TRUTH["bias_offset_mV"]).abs().max() < 0.5
    assert (gold["current_offset_pA"] - TRUTH["current_offset_iv_pA"]).abs().max() < 0.5
    # On gold dI/dV is constant, so that displacement current and lag cannot be told apart: said of the layer only.
    assert (layer["displacement_fF"] / TRUTH["displacement_fF"] - 1).abs().max() < 0.1
