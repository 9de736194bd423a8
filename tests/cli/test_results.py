"""Commands about results: spectra, barrier, compare, report, simulate."""

from __future__ import annotations

import json
import re
import shutil

import pandas as pd
import pytest
from cli.calling import run

from sts.cli import main


def test_one_sweep_is_profiled_without_writing_anything(demo, capsys):
    status, out, _ = run(capsys, "barrier", demo, "--profile", "heron_s1_r1_retract")
    assert status == 0
    assert "heron_s1_r1_retract: 4." in out
    assert "by profile likelihood" in out
    status, _, err = run(capsys, "barrier", demo, "--profile", "nobody")
    assert status == 2
    assert "no I(z) sweep 'nobody'" in err


def test_barriers_are_printed_where_no_folder_is_named(demo, capsys):
    status, out, _ = run(capsys, "barrier", demo)
    assert status == 0
    assert "sandpiper" in out
    assert "Nothing was written; --out FOLDER writes tables." in out


@pytest.mark.usefixtures("unprinted")
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


def test_chosen_spectra_are_drawn_together_for_a_paper(demo, capsys, tmp_path):
    out = tmp_path / "paper"
    chosen = ("--only", "gold film, 100 pA", "--only", "gold film, 400 pA", "--labels", "low", "--labels", "high")
    status, said, _ = run(capsys, "spectra", demo, "--out", out, *chosen, "--width-mm", "86", "--decimal", "comma")
    assert status == 0
    assert "200 pA" not in said
    wide = sorted(path.name for path in (out / "spectra").iterdir())
    assert wide == ["gold_film_heron_100_pA.csv", "gold_film_heron_400_pA.csv"]
    assert (out / "spectra" / wide[0]).read_text(encoding="utf-8").startswith("bias_V;didv_pS;")
    figure = out / "figures" / "together_didv.pdf"
    width_pt = float(re.search(rb"/MediaBox \[ 0 0 ([\d.]+) ", figure.read_bytes())[1])
    assert width_pt / 72 * 25.4 == pytest.approx(86, abs=0.1)
    assert b"/Type3" not in figure.read_bytes()
    drawn = (out / "figures" / "together_didv.csv").read_text(encoding="utf-8")
    assert "low: band" in drawn
    assert "high" in drawn
    assert json.loads((out / "results.json").read_text(encoding="utf-8"))["plan"]["report"]["figure_width_mm"] == 86


def test_what_cannot_be_drawn_together_is_answered_in_words(demo, capsys, tmp_path):
    status, _, err = run(capsys, "spectra", demo, "--out", tmp_path / "p", "--only", "silver film, 100 pA")
    assert status == 2
    assert "no spectrum is called 'silver film, 100 pA'; near to it: gold film, heron, 100 pA" in err
    status, _, err = run(capsys, "spectra", demo, "--out", tmp_path / "p", "--only", "gold film", "--labels", "a")
    assert status == 2
    assert "1 label for 3 spectra; give one for each, in this order: gold film, heron, 100 pA;" in err
    assert not (tmp_path / "p").exists()


@pytest.mark.usefixtures("unprinted")
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


def test_a_column_that_is_no_state_is_answered_with_what_would_be(demo, capsys, tmp_path):
    status, _, err = run(capsys, "compare", demo, "--by", "direction", "--out", tmp_path / "c")
    assert status == 2
    assert "'direction' is a label or a result of single sweeps" in err
    assert "before and after, several sites with each word" in err
    assert not (tmp_path / "c").exists()


@pytest.mark.usefixtures("unprinted")
def test_tips_are_compared_before_and_after(demo, capsys, tmp_path):
    """The demo's repeats at each site, called before and after: nothing changed between them."""
    session = shutil.copy(demo, tmp_path / "s.h5")
    (tmp_path / "log.csv").write_text("file,state\n*_r1*,before\n*_r2*,before\n*_r3*,after\n", encoding="utf-8")
    assert run(capsys, "annotate", session, "--logbook", tmp_path / "log.csv")[0] in (0, 1)
    status, out, err = run(capsys, "compare", session, "--by", "state", "--out", tmp_path / "c")
    assert status == 0, err
    assert out.index("Changes of tips") < out.index("Apparent barrier height by tip")
    assert "have no entry in 'state': left out" in out
    changes = pd.read_csv(tmp_path / "c" / "barrier_changes.csv")
    assert list(changes["tip"]) == ["heron", "sandpiper", "all tips"]
    assert (changes["ratio_low"].iloc[:2] < 1).all()
    assert (changes["ratio_high"].iloc[:2] > 1).all()
    assert abs(changes["ratio"].iloc[2] - 1) < 0.01  # of all tips: its interval of 95 % ends at 1.0002 in this draw
    states = pd.read_csv(tmp_path / "c" / "barrier_states.csv")
    assert list(states["state"]) == ["before", "after"] * 2
    assert (tmp_path / "c" / "figures" / "changes.svg").exists()
    kept = json.loads((tmp_path / "c" / "results.json").read_text(encoding="utf-8"))
    assert [row["tip"] for row in kept["barrier"]["changes"]] == list(changes["tip"])
    assert "Do the states differ?" in [one["question"] for one in kept["findings"]]


@pytest.mark.usefixtures("unprinted")
def test_simulate_makes_sweeps_that_import(capsys, tmp_path):
    assert run(capsys, "simulate", "--preset", "clean-vacuum", "--out", tmp_path / "v")[0] == 0
    assert run(capsys, "import", *sorted((tmp_path / "v").glob("*.csv")), "--into", tmp_path / "v.h5")[0] == 0
    truth = json.loads((tmp_path / "v" / "truth.json").read_text())
    tips = json.loads(run(capsys, "barrier", tmp_path / "v.h5", "--out", tmp_path / "b", "--json")[1])
    assert tips[0]["barrier_eV"] == pytest.approx(truth["barrier_eV"][0], rel=0.01)
    status, out, _ = run(capsys, "simulate", "--preset", "list")
    assert status == 0
    assert "ohmic: I(V) of a metal" in out


def no_work(*args, **kwargs):
    raise AssertionError("the analysis began")


@pytest.mark.parametrize("command", ["report", "spectra", "barrier", "compare"])
def test_a_folder_that_cannot_be_written_is_refused_before_any_work(demo, capsys, tmp_path, monkeypatch, command):
    (tmp_path / "results.json").write_text("{}", encoding="utf-8")
    monkeypatch.setattr("sts.analyse", no_work)
    status, _, err = run(capsys, command, demo, "--out", tmp_path)
    assert status == 2
    assert "is there already" in err


@pytest.mark.usefixtures("unprinted")
def test_a_report_renews_its_own_folder_and_tells_what_moved(month, capsys, tmp_path):
    plan = tmp_path / "plan.toml"
    plan.write_text("[barrier]\nfit_from_nm = 0.05\n[features]\ngap = false\n", encoding="utf-8")
    out = tmp_path / "r"
    assert run(capsys, "report", month[5], "--out", out)[0] == 0
    status, said, _ = run(capsys, "report", month[5], "--out", out, "--plan", plan)
    assert status == 0
    assert f"Against the report that was in {out}:" in said
    assert "setting barrier.fit_from_nm: not set → 0.05" in said
    assert "heron, barrier: " in said
    for option in ("--against", "--compare"):  # the old name still works
        status, said, _ = run(capsys, "report", out, option, out)
        assert status == 0
        assert "nothing: same settings" in said
    usage = run(capsys, "report", "--help")[1]
    assert "--against" in usage
    assert "--compare" not in usage
