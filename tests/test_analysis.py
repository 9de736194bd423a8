"""The whole job on the invented demo, against its truth: every planted fault found, every barrier in its interval."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

import sts
from sts.report import render_page
from sts.report.write import result_tables

DEMO = Path(__file__).resolve().parents[1] / "data" / "demo"


@pytest.fixture(scope="module")
def truth():
    return json.loads((DEMO / "truth.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def session(tmp_path_factory):
    path = tmp_path_factory.mktemp("demo") / "demo.h5"
    sts.import_files([DEMO / "iz", DEMO / "iv"], path, logbook=DEMO / "logbook.csv")
    return path


@pytest.fixture(scope="module")
def analysis(session):
    return sts.analyse(session)


def test_all_four_barriers_lie_within_their_intervals(analysis, truth):
    tips = analysis.barrier.tips.set_index("tip")
    assert set(tips.index) == set(truth["tips"])
    for tip, known in truth["tips"].items():
        assert tips.loc[tip, "barrier_low_eV"] < known["barrier_eV"] < tips.loc[tip, "barrier_high_eV"], tip


def sweeps_with(analysis, flag):
    judged = analysis.judged
    return {s for s, f in zip(judged["sweep"], judged["flags"], strict=True) if flag in f.split(";")}


def test_every_planted_fault_is_flagged_and_nothing_else_of_the_kind(analysis, truth):
    planted = set(truth["faults"]["jump"])
    assert sweeps_with(analysis, "jump") == planted
    assert sweeps_with(analysis, "saturated") == set(truth["faults"]["saturated"])
    left_out = set(analysis.judged.loc[~analysis.judged["used"].astype(bool), "sweep"])
    assert left_out == planted


def test_only_the_dirty_tip_is_called_no_work_function_and_it_is_said_on_the_page(analysis):
    assert {name.split("_")[0] for name in sweeps_with(analysis, "low barrier")} == {"sandpiper"}
    page = render_page(analysis, [])
    assert "sandpiper: 0.70 eV is not a work function" in page


def test_the_gap_of_every_set_point_is_near_the_planted_one(analysis, truth):
    rows = analysis.spectra.summary
    rows = rows[rows["sample"] == "layered semiconductor"]
    assert len(rows) == 3
    assert (abs(rows["gap_meV"] / 1e3 / truth["gap_eV"] - 1) < 0.005).all()


def test_offsets_found_on_the_metal_are_the_planted_ones(analysis, truth):
    rows = analysis.spectra.summary
    gold = rows[rows["sample"] == "gold film"].iloc[0]
    assert gold["bias_offset_mV"] == pytest.approx(truth["bias_offset_mV"], abs=0.5)
    assert gold["current_offset_pA"] == pytest.approx(truth["current_offset_iv_pA"], abs=0.5)
    layer = rows[rows["sample"] == "layered semiconductor"]
    # On a metal dI/dV is a constant too, so that displacement current and lag cannot be told apart there.
    assert (abs(layer["displacement_fF"] / truth["displacement_fF"] - 1) < 0.15).all()


def test_a_second_run_gives_the_same_tables_byte_for_byte(analysis, session):
    first = {name: table.to_csv() for name, table in result_tables(analysis).items()}
    second = {name: table.to_csv() for name, table in result_tables(sts.analyse(session)).items()}
    assert first == second
