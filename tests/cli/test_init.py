"""The command line itself: help, wrong usage, whatever goes wrong, a reader that is gone."""

from __future__ import annotations

import logging
import subprocess
import sys
import warnings
from pathlib import Path

import numpy as np
import pytest
from cli.calling import run, said

from sts.cli import main
from sts.session import Session


def test_help_imports_nothing_scientific():
    code = (
        "import sys\nfrom sts.cli import main\nmain(['--help'])\n"
        "print([m for m in ('numpy', 'scipy', 'pandas', 'h5py', 'matplotlib', 'lmfit', 'rich', 'pydantic') if m in sys.modules])"
    )
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert found.splitlines()[-1] == "[]"
    assert "sts import" in found


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


def test_a_library_that_warns_or_logs_is_not_heard(session: Path, tmp_path: Path) -> None:
    """A letter that the fonts of figures do not have makes matplotlib warn; a real process, as pytest makes errors of warnings."""
    assert main(["annotate", str(session), "--set", "sample=\u3042\u13a0"]) == 0
    code = (
        "import sys, logging, warnings; import sts.cli as c; from sts.session import Session; was = Session.open\n"
        "def loud(path):\n    warnings.warn('a library'); logging.getLogger('some.library').warning('logged'); return was(path)\n"
        "Session.open = loud; sys.exit(c.main(sys.argv[1:]))"
    )
    for arguments in (["list", str(session)], ["show", str(session), "a1", "--out", str(tmp_path / "x.svg")]):
        done = subprocess.run(
            [sys.executable, "-c", code, *arguments], capture_output=True, text=True, encoding="utf-8"
        )
        assert (done.returncode, done.stderr) == (0, "")


def test_what_a_folder_cannot_promise_is_said_on_the_terminal(
    session: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    fcntl = pytest.importorskip("fcntl")

    def refused(*_: object) -> None:
        raise OSError(37, "No locks available")

    monkeypatch.setattr(fcntl, "flock", refused)
    with warnings.catch_warnings():
        warnings.simplefilter("default")  # as without pytest
        status, out, err = run(capsys, "mark", session, "*", "--omit", "--why", "touch")
    assert status == 0
    assert err.count("the file system gives no lock (No locks available)") == 1
    assert err.startswith("Note: ")
    assert "no lock" not in out


def test_after_a_command_warnings_and_logs_are_heard_again(session: Path, caplog: pytest.LogCaptureFixture) -> None:
    shows = warnings.showwarning
    assert main(["list", str(session)]) == 0
    assert warnings.showwarning is shows
    logging.getLogger("some.library").warning("logged")
    assert "logged" in caplog.text


def test_more_memory_than_there_is_is_a_sentence_with_sizes(
    session: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """numpy's own error, of an array that no computer holds; and Python's, which has no size."""

    def asks(*_: object) -> None:
        np.ones((1 << 20, 1 << 25))

    monkeypatch.setattr(Session, "open", asks)
    message = said(capsys, "list", session, code=2)
    assert "not enough memory" in message
    assert "256 TiB" in message
    assert "bug in sts" not in message
    assert message.strip().count("\n") == 0

    def fails(*_: object) -> None:
        raise MemoryError

    monkeypatch.setattr(Session, "open", fails)
    message = said(capsys, "list", session, code=2)
    assert "not enough memory" in message
    assert "bug in sts" not in message


def test_choices_of_a_missing_argument_stand_in_the_sentence(capsys):
    assert main(["export", "s.h5", "--out", "x"]) == 2
    assert capsys.readouterr().err.endswith("Choose from: originals, csv, npz. See 'sts export --help'.\n")
