"""Commands about results: check, spectra, barrier, compare, report, simulate."""

from __future__ import annotations

import json

import pandas as pd
import pytest
from cli.calling import run

from sts.cli import main
from sts.cli.results import judged_alike


def test_check_judges_every_sweep_with_reasons(demo, capsys):
    status, out, _ = run(capsys, "check", demo, "--json")
    rows = {row["sweep"]: row for row in json.loads(out)}
    assert status == 0
    assert "jump" in rows["heron_s2_r3_approach"]["flags"]
    assert not rows["heron_s2_r3_approach"]["used"]
    assert "not a work function" in rows["sandpiper_s1_r1_retract"]["reasons"]
    assert rows["heron_s1_r1_retract"]["used"]


def judged(*rows: tuple[str, str, str, str, bool, str]) -> pd.DataFrame:
    names = ["sweep", "tip", "site", "flags", "used", "reasons"]
    frame = pd.DataFrame(rows, columns=names, dtype=object)
    return frame.assign(kind="iz", sample="gold", decided_by="rule", used=frame["used"].astype(bool))


def test_a_tip_whose_sweeps_all_carry_a_flag_is_one_line_with_the_range():
    table = judged(
        ("a1", "a", "1", "low barrier", True, "0.71 eV: not a work function"),
        ("a2", "a", "2", "low barrier", True, "0.68 eV: not a work function"),
        ("b1", "b", "1", "", True, ""),
        ("b2", "b", "1", "", True, ""),
        ("b3", "b", "1", "jump", False, "current x 1.6 at 0.12 nm"),
        ("b4", "b", "1", "jump", False, "current x 1.7 at 0.13 nm"),
    )
    rows = judged_alike(table, table).to_numpy().tolist()
    assert rows[0] == [
        "all 2 I(z) sweeps", "a", "2 sites", "yes", "low barrier: 0.68 to 0.71 eV: not a work function",
    ]  # fmt: skip
    assert rows[1] == ["2 I(z) sweeps", "b", "1", "yes", ""]
    assert [row[0] for row in rows[2:]] == ["b3", "b4"]  # their names are needed for a decision


def test_rows_of_two_samples_name_theirs():
    table = judged(*((f"a{i}", "a", "1", "", True, "") for i in range(4)))
    table["sample"] = ["gold", "gold", "graphite", "graphite"]
    assert judged_alike(table, table)["sweep"].tolist() == ["all 2 I(z) sweeps, gold", "all 2 I(z) sweeps, graphite"]


def test_reasons_of_other_words_are_given_for_one():
    table = judged(("a1", "a", "1", "jump", False, "at 1 nm"), ("a2", "a", "1", "jump", False, "twice, at 2 and 3 nm"))
    assert judged_alike(table, table)["why"].tolist() == ["jump: for one, at 1 nm"]


def test_decisions_of_a_person_keep_their_rows():
    table = judged(("a1", "a", "1", "", False, "omit: hit"), ("a2", "a", "1", "", False, "omit: hit"))
    by_hand = table.assign(decided_by="person")
    assert judged_alike(by_hand, by_hand)["sweep"].tolist() == ["a1", "a2"]


def test_one_sweep_is_profiled_without_writing_anything(demo, capsys):
    status, out, _ = run(capsys, "barrier", demo, "--profile", "heron_s1_r1_retract")
    assert status == 0
    assert "heron_s1_r1_retract: 4." in out
    assert "by profile likelihood" in out
    status, _, err = run(capsys, "barrier", demo, "--profile", "nobody")
    assert status == 2
    assert "no I(z) sweep 'nobody'" in err
    status, _, err = run(capsys, "barrier", demo)
    assert status == 2
    assert "--out FOLDER" in err


def test_barrier_compare_and_spectra_write_their_tables(demo, capsys, tmp_path):
    status, out, _ = run(capsys, "barrier", demo, "--out", tmp_path / "b")
    assert status == 0
    assert "sandpiper" in out
    assert (tmp_path / "b" / "barrier_tips.csv").exists()
    status, out, _ = run(capsys, "compare", demo, "--by", "made_by", "--out", tmp_path / "c", "--json")
    assert status == 0
    assert json.loads(out)[0]["verdict"] == "differ"
    status, out, _ = run(capsys, "spectra", demo, "--out", tmp_path / "s", "--by", "sample")
    assert status == 0
    assert (tmp_path / "s" / "spectra.csv").exists()
    status, _, err = run(capsys, "barrier", demo, "--out", tmp_path / "b")
    assert status == 2
    assert "--force" in err


def test_the_level_of_the_plan_is_the_one_printed(demo, capsys, tmp_path):
    plan = tmp_path / "plan.toml"
    plan.write_text("[compare]\nconfidence = 0.9\n", encoding="utf-8")
    assert main(["barrier", str(demo), "--out", str(tmp_path / "b"), "--plan", str(plan)]) == 0
    found = capsys.readouterr().out
    assert "90 % from" in found
    assert "95 %" not in found


def test_a_wrong_plan_names_key_line_and_remedy(demo, capsys, tmp_path):
    plan = tmp_path / "plan.toml"
    plan.write_text("[check]\noutlier_cuts = 3\n")
    status, _, err = run(capsys, "report", demo, "--out", tmp_path / "r", "--plan", plan)
    assert status == 2
    assert "line 2" in err
    assert "outlier_cut" in err
    assert not (tmp_path / "r").exists()


def test_an_unknown_column_of_tips_is_answered_with_those_of_the_logbook(demo, capsys, tmp_path):
    status, _, err = run(capsys, "compare", demo, "--by", "maker", "--out", tmp_path / "c")
    assert status == 2
    assert "there is made_by, wire, remark." in err
    assert "barrier_eV" not in err
    status, _, err = run(capsys, "compare", demo, "--by", "barrier_eV", "--out", tmp_path / "c")
    assert status == 2
    assert "'barrier_eV' is a result" in err
    assert not (tmp_path / "c").exists()


def test_simulate_makes_sweeps_that_import(capsys, tmp_path):
    assert run(capsys, "simulate", "--preset", "clean-vacuum", "--out", tmp_path / "v")[0] == 0
    assert run(capsys, "import", *sorted((tmp_path / "v").glob("*.csv")), "--into", tmp_path / "v.h5")[0] == 0
    truth = json.loads((tmp_path / "v" / "truth.json").read_text())
    tips = json.loads(run(capsys, "barrier", tmp_path / "v.h5", "--out", tmp_path / "b", "--json")[1])
    assert tips[0]["barrier_eV"] == pytest.approx(truth["barrier_eV"][0], rel=0.01)
    status, out, _ = run(capsys, "simulate", "--preset", "list")
    assert status == 0
    assert "ohmic: I(V) of a metal" in out
