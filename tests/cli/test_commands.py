"""The commands as a person would use them, with right and wrong input."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest
from cli.calling import run

from sts.cli import main

ROOT = Path(__file__).resolve().parents[2]
DEMO = ROOT / "data" / "demo"


@pytest.fixture(scope="module")
def session(tmp_path_factory):
    path = tmp_path_factory.mktemp("session") / "demo.h5"
    files = [str(p) for tip in ("heron", "sandpiper") for p in sorted((DEMO / "iz").glob(f"{tip}_*"))]
    status = main(["import", *files, str(DEMO / "iv"), "--into", str(path), "--logbook", str(DEMO / "logbook.csv")])
    assert status == 0
    return path


def test_help_imports_nothing_scientific():
    code = (
        "import sys\nfrom sts.cli import main\nmain(['--help'])\n"
        "print([m for m in ('numpy', 'scipy', 'pandas', 'h5py', 'matplotlib', 'lmfit', 'rich', 'pydantic') if m in sys.modules])"
    )
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert found.splitlines()[-1] == "[]"
    assert "sts import" in found


def test_a_second_import_adds_nothing_and_says_so(session, capsys):
    status, out, _ = run(
        capsys, "import", DEMO / "iz" / "heron_s1_r1.csv", "--into", session, "--logbook", DEMO / "logbook.csv"
    )
    assert status == 0
    assert "nothing was added twice" in out


def test_list_shows_tips_and_refuses_unknown_ones(session, capsys):
    status, out, _ = run(capsys, "list", session, "--tip", "sandpiper")
    assert status == 0
    assert "sandpiper_s1_r1_retract" in out
    status, out, err = run(capsys, "list", session, "--tip", "albatross")
    assert status == 2
    assert err.startswith("sts: no such tip 'albatross'; this session has heron")
    assert len(err.splitlines()) == 1


def test_check_judges_every_sweep_with_reasons(session, capsys):
    status, out, _ = run(capsys, "check", session, "--json")
    rows = {row["sweep"]: row for row in json.loads(out)}
    assert status == 0
    assert "jump" in rows["heron_s2_r3_approach"]["flags"]
    assert not rows["heron_s2_r3_approach"]["used"]
    assert "not a work function" in rows["sandpiper_s1_r1_retract"]["reasons"]
    assert rows["heron_s1_r1_retract"]["used"]


def test_one_sweep_is_profiled_without_writing_anything(session, capsys):
    status, out, _ = run(capsys, "barrier", session, "--profile", "heron_s1_r1_retract")
    assert status == 0
    assert "heron_s1_r1_retract: 4." in out
    assert "by profile likelihood" in out
    status, _, err = run(capsys, "barrier", session, "--profile", "nobody")
    assert status == 2
    assert "no I(z) sweep 'nobody'" in err
    status, _, err = run(capsys, "barrier", session)
    assert status == 2
    assert "--out FOLDER" in err


def test_a_decision_is_kept_with_its_reason_and_taken_back(session, capsys):
    name = "heron_s1_r2_retract"
    assert run(capsys, "mark", session, "--omit", name, "--why", "touched")[0] == 0
    _, out, _ = run(capsys, "check", session, "--json")
    row = next(r for r in json.loads(out) if r["sweep"] == name)
    assert not row["used"]
    assert row["decided_by"] == "person"
    assert "touched" in row["reasons"]
    assert run(capsys, "mark", session, "--undo", name)[0] == 0
    assert "touched" in run(capsys, "mark", session)[1]  # the log keeps it


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--omit", "heron_s1_r2_retrakt", "--why", "x"), "heron_s1_r2_retract"),  # near misses are named
        (("--omit", "heron_s1_r2_retract"), "reason"),
        (("heron_s1_r2_retract",), "--omit, --keep or --undo"),
        (("--omit",), "Name the sweeps"),
    ],
)
def test_a_wrong_decision_is_one_line(session, capsys, arguments, words):
    status, _, err = run(capsys, "mark", session, *arguments)
    assert status == 2
    assert words in err
    assert len(err.splitlines()) == 1


def test_barrier_compare_and_spectra_write_their_tables(session, capsys, tmp_path):
    status, out, _ = run(capsys, "barrier", session, "--out", tmp_path / "b")
    assert status == 0
    assert "sandpiper" in out
    assert (tmp_path / "b" / "barrier_tips.csv").exists()
    status, out, _ = run(capsys, "compare", session, "--by", "made_by", "--out", tmp_path / "c", "--json")
    assert status == 0
    assert json.loads(out)[0]["verdict"] == "differ"
    status, out, _ = run(capsys, "spectra", session, "--out", tmp_path / "s", "--by", "sample")
    assert status == 0
    assert (tmp_path / "s" / "spectra.csv").exists()
    status, _, err = run(capsys, "barrier", session, "--out", tmp_path / "b")
    assert status == 2
    assert "--force" in err


def test_height_calibration_scales_barriers_with_its_square(session, capsys, tmp_path):
    before = json.loads(run(capsys, "barrier", session, "--out", tmp_path / "a", "--json")[1])
    copy = tmp_path / "copy.h5"
    copy.write_bytes(session.read_bytes())
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
    after = json.loads(run(capsys, "barrier", copy, "--out", tmp_path / "b", "--json")[1])
    for one, two in zip(before, after, strict=True):
        assert two["barrier_eV"] / one["barrier_eV"] == pytest.approx(1 / 1.05**2, rel=1e-3)
        assert two["calibration_se_eV"] == pytest.approx(2 * two["barrier_eV"] * 0.005 / 0.235478, rel=0.02)
        assert two["total_se_eV"] > two["barrier_se_eV"]


@pytest.mark.parametrize(
    ("content", "name", "words"),
    [
        (b"", "empty.csv", "empty"),
        (bytes(range(256)) * 4, "binary.csv", "not text"),
        (b"V,I (nA)\n1,2\n2,3\n3,4\n", "nounit.csv", "unit"),
        (b"V (mV),I (nA)\n1,2\n2,abc\n3,4\n4,5\n", "text.csv", "abc"),
        (b"V (mV),I (nA)\n1,2\n1,3\n1,4\n1,5\n", "constant.csv", "constant"),
    ],
)
def test_a_bad_file_is_one_line_and_the_session_is_unchanged(session, capsys, tmp_path, content, name, words):
    before = session.read_bytes()
    bad = tmp_path / name
    bad.write_bytes(content)
    status, _, err = run(capsys, "import", bad, "--into", session)
    assert status == 2
    assert words in err
    assert name in err
    assert "Traceback" not in err
    assert session.read_bytes() == before


def test_the_other_files_of_a_call_go_in(capsys, tmp_path):
    bad = tmp_path / "bad.csv"
    bad.write_bytes(b"")
    good = DEMO / "iz" / "heron_s1_r1.csv"
    status, out, err = run(capsys, "import", bad, good, "--into", tmp_path / "s.h5")
    assert status == 1
    assert "bad.csv" in err
    assert "1 file with 2 sweeps" in out
    status, _, err = run(capsys, "import", bad, good, "--into", tmp_path / "strict.h5", "--strict")
    assert status == 2
    assert not (tmp_path / "strict.h5").exists()


def test_a_wrong_plan_names_key_line_and_remedy(session, capsys, tmp_path):
    plan = tmp_path / "plan.toml"
    plan.write_text("[check]\noutlier_cuts = 3\n")
    status, _, err = run(capsys, "report", session, "--out", tmp_path / "r", "--plan", plan)
    assert status == 2
    assert "line 2" in err
    assert "outlier_cut" in err
    assert not (tmp_path / "r").exists()


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("list", "nothing.h5"), "no such session"),
        (("impot",), "Did you mean"),
        (("report", "nothing.h5", "--out", "x"), "no such session"),
        (("import", "nothing.csv", "--into", "x.h5"), "nothing.csv"),
        (("import", "nothing.csv"), "--into"),
        (("simulate", "--preset", "nope", "--out", "x"), "clean-vacuum"),
        (("simulate", "--preset", "ohmic"), "--out"),
        (("list", "."), "is a folder"),
        (("calibrate", "nothing.h5", "height"), "no such session"),
    ],
)
def test_wrong_usage_is_one_line(capsys, tmp_path, monkeypatch, arguments, words):
    monkeypatch.chdir(tmp_path)
    status, _, err = run(capsys, *arguments)
    assert status == 2
    assert words in err
    assert "Traceback" not in err
    assert not list(tmp_path.iterdir())


def test_try_shows_what_would_be_read(capsys):
    status, out, _ = run(capsys, "import", DEMO / "iz" / "curlew_s2_r2.txt", "--try")
    assert status == 0
    assert "z / nm" in out
    assert "read_as" in out


def test_export_returns_the_files_byte_for_byte(session, capsys, tmp_path):
    assert run(capsys, "export", session, "originals", "--out", tmp_path / "o")[0] == 0
    original = DEMO / "iz" / "heron_s1_r1.csv"
    assert (tmp_path / "o" / original.name).read_bytes() == original.read_bytes()


def test_simulate_makes_sweeps_that_import(capsys, tmp_path):
    assert run(capsys, "simulate", "--preset", "clean-vacuum", "--out", tmp_path / "v")[0] == 0
    assert run(capsys, "import", *sorted((tmp_path / "v").glob("*.csv")), "--into", tmp_path / "v.h5")[0] == 0
    truth = json.loads((tmp_path / "v" / "truth.json").read_text())
    tips = json.loads(run(capsys, "barrier", tmp_path / "v.h5", "--out", tmp_path / "b", "--json")[1])
    assert tips[0]["barrier_eV"] == pytest.approx(truth["barrier_eV"][0], rel=0.01)
    status, out, _ = run(capsys, "simulate", "--preset", "list")
    assert status == 0
    assert "ohmic: I(V) of a metal" in out


def test_an_unknown_column_of_tips_is_answered_with_those_of_the_logbook(session, capsys, tmp_path):
    status, _, err = run(capsys, "compare", session, "--by", "maker", "--out", tmp_path / "c")
    assert status == 2
    assert "there is made_by, wire, remark." in err
    assert "barrier_eV" not in err
    status, _, err = run(capsys, "compare", session, "--by", "barrier_eV", "--out", tmp_path / "c")
    assert status == 2
    assert "'barrier_eV' is a result" in err
    assert not (tmp_path / "c").exists()
