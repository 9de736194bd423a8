"""The commands that fill, show and correct a session, as a person would use them."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from sts.cli import main
from sts.session import Session

SWEEP = "V (V),I (nA)\n" + "".join(f"{v / 10},{v}\n" for v in range(-4, 5))


@pytest.fixture
def session(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Path:
    for number in range(3):
        (tmp_path / f"a{number}.csv").write_text(f"# note: {number}\n{SWEEP}", encoding="utf-8", newline="\n")
    (tmp_path / "log.csv").write_text("file,tip\n*,heron\n", encoding="utf-8")
    files = [str(tmp_path / f"a{number}.csv") for number in range(3)]
    assert main(["import", *files, "--into", str(tmp_path / "s.h5"), "--logbook", str(tmp_path / "log.csv")]) == 0
    capsys.readouterr()
    return tmp_path / "s.h5"


def test_a_corrected_logbook_is_applied_shown_and_taken_back(session: Path, capsys: pytest.CaptureFixture[str]) -> None:
    logbook = session.with_name("log.csv")
    logbook.write_text("file,tip,site\na1.csv,egret,s1\nb*.csv,ibis,\n", encoding="utf-8")
    assert main(["annotate", str(session), "--logbook", str(logbook)]) == 0
    out = capsys.readouterr().out
    assert "tip is 'heron', log.csv, line 2, says 'egret'; the session was taken" in out
    assert "with --prefer-logbook the logbook's word is taken" in out
    assert "no file of this session fits 'b*.csv'" in out
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
    np.savez(many, bias_V=np.linspace(-1, 1, 9), current_A=np.linspace(-1e-9, 1e-9, 9) * np.ones((3000, 1)))
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
