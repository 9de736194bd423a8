"""The commands that fill, show and correct a session, as a person would use them."""

from __future__ import annotations

import hashlib
import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from cli.calling import run

from sts.cli import main
from sts.session import Session

SWEEP = "V (V),I (nA)\n" + "".join(f"{v / 10},{v}\n" for v in range(-4, 5))


@pytest.fixture
def session(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Path:
    for number in range(3):
        text = f"# note: {number}\n{SWEEP}".replace(",4\n", f",{4 + number}\n")
        (tmp_path / f"a{number}.csv").write_text(text, encoding="utf-8", newline="\n")
    (tmp_path / "log.csv").write_text("file,tip\n*,heron\n", encoding="utf-8")
    files = [str(tmp_path / f"a{number}.csv") for number in range(3)]
    assert main(["import", *files, "--into", str(tmp_path / "s.h5"), "--logbook", str(tmp_path / "log.csv")]) == 0
    capsys.readouterr()
    return tmp_path / "s.h5"


def test_a_corrected_logbook_is_applied_shown_and_taken_back(session: Path, capsys: pytest.CaptureFixture[str]) -> None:
    logbook = session.with_name("other.csv")
    logbook.write_text("file,tip,site\na1.csv,egret,s1\nb*.csv,ibis,\n", encoding="utf-8")
    assert main(["annotate", str(session), "--logbook", str(logbook)]) == 0
    out = capsys.readouterr().out
    assert "a1.csv: log.csv says tip is 'heron', other.csv, line 2, says 'egret'; log.csv was taken." in out
    assert "with --prefer-logbook the logbook's word is taken" in out
    assert "note: line 3, 'b*.csv': fits no file of this session." in out
    assert out.splitlines()[-1] == "1 cell filled in or replaced, of 1 sweep."
    assert main(["annotate", str(session), "--logbook", str(logbook), "--prefer-logbook"]) == 0
    assert list(Session(session).sweeps()["tip"]) == ["heron", "egret", "heron"]
    capsys.readouterr()
    assert main(["annotate", str(session)]) == 0
    assert "egret" in capsys.readouterr().out
    assert main(["annotate", str(session), "--undo"]) == 0
    assert list(Session(session).sweeps()["tip"]) == ["heron"] * 3
    assert main(["annotate", str(session), "--undo", "--logbook", str(logbook)]) == 2


def test_a_closed_pipe_ends_a_command_without_a_word(session: Path) -> None:
    """``sts list S.h5 | head -1``: far more than a pipe holds is printed to a reader that is gone."""
    code = "import sys; from sts.cli import main; sys.exit(main(['list', sys.argv[1], '--json']))"
    many = session.with_name("many.npz")
    np.savez(many, bias_V=np.linspace(-1, 1, 9), current_A=np.linspace(-1e-9, 1e-9, 9) * np.arange(1, 3001)[:, None])
    assert main(["import", str(many), "--into", str(session)]) == 0
    with subprocess.Popen(
        [sys.executable, "-c", code, str(session)], stdout=subprocess.PIPE, stderr=subprocess.PIPE
    ) as run:
        assert run.stdout is not None
        assert run.stderr is not None
        run.stdout.readline()
        run.stdout.close()
        said = run.stderr.read().decode()
    assert (run.returncode, said) == (0, "")


def said(capsys: pytest.CaptureFixture[str], *arguments: str | Path, code: int = 0) -> str:
    """What a command prints: its results, or its error where `code` is 2."""
    status, out, err = run(capsys, *arguments)
    assert status == code
    return err if code == 2 else out


def test_what_is_listed_can_be_read_by_a_program(session: Path, capsys: pytest.CaptureFixture[str]) -> None:
    sweeps = json.loads(said(capsys, "list", session, "--tip", "heron", "--json"))
    assert [row["source"] for row in sweeps] == ["a0.csv", "a1.csv", "a2.csv"]
    assert {row["tip"] for row in sweeps} == {"heron"}
    assert sweeps[0]["setpoint_current_A"] is None  # unknown is no number
    sources = json.loads(said(capsys, "list", session, "--sources", "--json"))
    assert [row["name"] for row in sources] == ["a0.csv", "a1.csv", "a2.csv"]
    assert sources[1]["sha256"] == hashlib.sha256(session.with_name("a1.csv").read_bytes()).hexdigest()
    assert "this session has none named" in said(capsys, "list", session, "--sample", "gold", code=2)


def test_an_import_tells_a_program_what_went_in_and_what_did_not(
    session: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bad, new = session.with_name("bad.csv"), session.with_name("a9.csv")
    bad.write_text("nothing to see\n", encoding="utf-8")
    new.write_text(f"# note: 9\n{SWEEP}".replace(",4\n", ",9\n"), encoding="utf-8")
    told = json.loads(
        said(capsys, "import", bad, new, session.with_name("a0.csv"), "--into", session, "--json", code=1)
    )
    assert told["files"] == ["a9.csv"]
    assert told["repeated"] == ["a0.csv"]
    assert [row["file"] for row in told["left_out"]] == [str(bad)]
    assert told["session"] == str(session)
    for text in ("nothing to see\n", "a = 1\nresults(1)\n1,2\nx\n"):  # with and without a line in the message
        bad.write_text(text, encoding="utf-8")
        assert main(["import", str(bad), "--into", str(session)]) == 2  # nothing at all went in
        assert capsys.readouterr().err.count("bad.csv") == 1


def test_decisions_are_told_in_words_and_to_programs(session: Path, capsys: pytest.CaptureFixture[str]) -> None:
    name = Session(session).sweeps()["sweep"].iloc[0]
    assert "No decision has been taken" in said(capsys, "mark", session)
    assert "--omit, --keep or --undo" in said(capsys, "mark", session, name, code=2)
    assert f"'sts list {session}'" in said(capsys, "mark", session, "--omit", code=2)
    decisions = json.loads(said(capsys, "mark", session, name, "--omit", "--why", "tip touched", "--json"))
    assert [(row["sweep"], row["action"], row["why"]) for row in decisions] == [(name, "omit", "tip touched")]
    assert "tip touched" in said(capsys, "mark", session)


def test_changes_by_the_logbook_are_told_to_programs(session: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "Nothing has been changed" in said(capsys, "annotate", session)
    logbook = session.with_name("log.csv")
    logbook.write_text("file,tip,site\na1.csv,heron,s1\n", encoding="utf-8")
    told = json.loads(said(capsys, "annotate", session, "--logbook", logbook, "--json"))
    assert [(row["column"], row["before"], row["after"]) for row in told["changes"]] == [("site", "", "s1")]
    assert told["conflicts"] == told["unmatched"] == []
    assert [row["after"] for row in json.loads(said(capsys, "annotate", session, "--json"))] == ["s1"]


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


def test_sessions_are_merged_once(session: Path, capsys: pytest.CaptureFixture[str]) -> None:
    other = session.with_name("other.h5")
    new = session.with_name("b0.csv")
    new.write_text(f"# note: b\n{SWEEP}", encoding="utf-8")
    assert said(capsys, "import", new, session.with_name("a0.csv"), "--into", other)
    assert "1 file with 1 sweep added" in said(capsys, "merge", session, other)
    assert "0 files with 0 sweeps added" in said(capsys, "merge", session, other)
    assert sorted(Session(session).sources()["name"]) == ["a0.csv", "a1.csv", "a2.csv", "b0.csv"]


def test_a_damaged_session_is_rescued_into_a_new_file(session: Path, capsys: pytest.CaptureFixture[str]) -> None:
    damaged, new = session.with_name("damaged.h5"), session.with_name("new.h5")
    damaged.write_bytes(session.read_bytes())
    said(capsys, "rescue", damaged, "--out", new)
    assert len(Session(new).sweeps()) == 3
    before = new.read_bytes()
    assert str(new) in said(capsys, "rescue", damaged, "--out", new, code=2)
    assert new.read_bytes() == before


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (KeyboardInterrupt(), "stopped; what was done before stands"),
        (PermissionError(13, "Permission denied", "s.h5"), "s.h5: permission denied."),
        (OSError("the disk is gone"), "the disk is gone"),
        (ZeroDivisionError("x"), "ZeroDivisionError: x. This is a bug in sts"),
    ],
)
def test_whatever_goes_wrong_is_said_in_one_line(
    session: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, error: BaseException, words: str
) -> None:
    def fails(*_: object) -> None:
        raise error

    monkeypatch.setattr(Session, "open", fails)
    message = said(capsys, "list", session, code=2)
    assert words in message
    assert message.strip().count("\n") == 0
    if isinstance(error, Exception):
        monkeypatch.setenv("STS_TRACEBACK", "1")
        with pytest.raises(type(error)):
            main(["list", str(session)])
