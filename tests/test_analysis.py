"""The whole job on the invented demo, against its truth: every planted fault found, every barrier in its interval."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from numpy.testing import assert_allclose
from pandas.testing import assert_frame_equal

import sts
from sts.cli import main
from sts.plan import BarrierPlan, Plan
from sts.report import render_page
from sts.report.summary import Summary
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
    page = render_page(Summary(analysis), [])
    assert "sandpiper: 0.70 eV is not a work function" in page


def test_the_page_of_the_demo_can_be_sent_by_mail(analysis):
    assert len(render_page(Summary(analysis)).encode()) < 2_000_000


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


@pytest.fixture
def copy(session, tmp_path):
    return sts.Session.open(shutil.copy(session, tmp_path / "copy.h5"))


def test_model_corrections_stand_beside_the_apparent_barriers_and_move_nothing(analysis, session):
    """0.025 eV is half the bias of 50 mV that the demo's ramps are recorded at."""
    plan = Plan(barrier=BarrierPlan(correct=["bias"]))
    corrected = sts.analyse(session, plan).barrier
    tips = corrected.tips
    assert_allclose(tips["barrier_eV"], analysis.barrier.tips["barrier_eV"])
    assert_allclose(tips["barrier_corrected_eV"] - tips["barrier_eV"], 0.025, atol=1e-9)
    assert any("corrected for bias by model" in note for note in corrected.notes)


def test_a_calibration_of_the_current_reaches_every_current_and_no_barrier(analysis, copy):
    """The demo's amplifier read 1 nA where 1.1 nA flowed: currents and conductances rise, ratios and heights stay."""
    copy.add_calibration("current", factor=1.1, factor_se=0.02, measured=1e-9, known=1.1e-9, source="a stated resistor")
    after = sts.analyse(copy)
    for column, factor in {"current_A": 1.1, "didv_S": 1.1, "didv_se_S": 1.1, "normalised": 1.0}.items():
        expected = analysis.spectra.table[column] * factor
        assert after.spectra.table[column].to_numpy() == pytest.approx(expected.to_numpy(), rel=1e-6, nan_ok=True)
    assert list(after.spectra.summary["setpoint_current_A"]) == pytest.approx(
        list(analysis.spectra.summary["setpoint_current_A"] * 1.1)
    )
    assert list(after.barrier.tips["barrier_eV"]) == pytest.approx(list(analysis.barrier.tips["barrier_eV"]), rel=1e-3)
    assert list(after.judged["flags"]) == list(analysis.judged["flags"])
    assert "multiplied by 1.1 ± 0.02 (a stated resistor)" in after.spectra.notes[0]


def test_with_every_sweep_omitted_the_job_ends_in_words_and_tables_without_rows(copy, tmp_path, capsys):
    copy.mark(list(copy.sweeps()["sweep"]), "omit", "all measured before the tip was cleaned")
    assert main(["report", str(copy.path), "--out", str(tmp_path / "out")]) == 0
    said = capsys.readouterr().out
    assert "No I(z) sweep is left to compare" in said
    assert "gold film, heron, 100 pA: No sweep is left: all 10 are left out by decision." in said
    for name in ("spectra", "spectra_summary", "barrier_tips", "barrier_sites", "barrier_pairs"):
        lines = (tmp_path / "out" / f"{name}.csv").read_text(encoding="utf-8").splitlines()
        assert len(lines) == 1, name
        assert lines[0].count(",") > 8, name


def test_a_second_run_gives_the_same_tables_byte_for_byte(analysis, session):
    first = {name: table.to_csv() for name, table in result_tables(analysis).items()}
    second = {name: table.to_csv() for name, table in result_tables(sts.analyse(session)).items()}
    assert first == second


def test_a_decision_to_keep_reaches_the_offsets(copy, monkeypatch):
    """The offsets of a tip come from the sweeps that are used: one that a person keeps is one of them."""
    from sts.analysis import spectra

    asked, find = [], spectra.find_offsets

    def seen(parts):
        asked.extend(name for part in parts for name in part.names)
        return find(parts)

    monkeypatch.setattr(spectra, "find_offsets", seen)
    kept = "layer_200pA_up_6"
    assert len(set(sts.analyse(copy, only="iv").judged["sweep"]) - set(asked)) == 1
    assert kept not in asked
    copy.mark([kept], "keep", "looked at")
    sts.analyse(copy, only="iv")
    assert kept in asked


def test_what_was_measured_is_summarised_again_without_measuring(session, copy, monkeypatch):
    """After a decision the measured stage gives what a whole analysis gives, and fits nothing."""
    measured = sts.measure(copy)
    measured.summarise(copy.decisions())
    copy.mark(["heron_s1_r1_retract", "layer_100pA_up_3"], "omit", "touched")
    copy.mark(["heron_s2_r3_approach"], "keep", "small")
    whole = sts.analyse(copy)

    def never(*arguments, **named):
        raise AssertionError("measured again")

    for name in ("fit_together", "judge_iv", "window_sensitivity"):
        monkeypatch.setattr(f"sts.analysis.measured.{name}", never)
    again = measured.summarise(copy.decisions())
    for part in ("sweeps", "sites", "tips", "pairs", "directions", "budget", "components", "window"):
        assert_frame_equal(getattr(again.barrier, part), getattr(whole.barrier, part))
    assert_frame_equal(again.spectra.table, whole.spectra.table)
    assert_frame_equal(again.spectra.summary, whole.spectra.summary)
    assert_frame_equal(again.judged, whole.judged)
    assert_frame_equal(again.flags, whole.flags)


def test_every_flag_of_the_table_is_one_that_was_raised(analysis):
    assert not analysis.flags.duplicated(["sweep", "flag"]).any()
    judged = analysis.judged.set_index("sweep")["flags"]
    for sweep, group in analysis.flags[~analysis.flags["sweep"].str.startswith("(")].groupby("sweep"):
        assert set(judged[sweep].split(";")) == set(group["flag"])
