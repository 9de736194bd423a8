"""A review from its start: what is said where Bokeh is missing, and that the session is free while it runs."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

import sts
from sts.review import start
from sts.session import Session

ROOT = Path(sts.__file__).parents[1]


def test_where_bokeh_is_missing_it_says_how_to_have_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(start, "find_spec", lambda name: None)
    with pytest.raises(ValueError, match=r"not installed here.*pip install \"bokeh>=3.6\""):
        start.review_session("session.h5")


def test_nobody_imports_bokeh_before_a_page_is_served() -> None:
    code = "import sys, sts, sts.cli, sts.review, sts.review.start; sys.exit('bokeh' in sys.modules or 'tornado' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], cwd=ROOT, check=False).returncode == 0


def test_the_session_is_free_while_it_is_reviewed_and_afterwards(small: Path) -> None:
    pytest.importorskip("bokeh", reason="needs bokeh (the extra 'review')")
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    command = [sys.executable, "-m", "sts", "review", str(small), "--no-browser", "--port", "0"]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment
    ) as process:
        try:
            assert process.stdout is not None
            assert process.stdout.readline().startswith("http://127.0.0.1:")
            assert process.stdout.readline() == "Ends with Ctrl-C, or 30 s after the page is closed.\n"
            assert process.stdout.readline() == "small.h5: 10 sweeps.\n"
            name = str(Session.open(small).sweeps()["sweep"].iloc[0])
            Session.open(small).mark([name], "omit", "from beside")
        finally:
            process.terminate()
        _, errors = process.communicate(timeout=120)
    assert errors == ""
    assert process.returncode == (0 if os.name != "nt" else process.returncode)
    Session.open(small).mark([name], "undo", "")


def test_what_cannot_be_measured_is_said_and_the_server_ends(small: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("bokeh", reason="needs bokeh (the extra 'review')")

    def broken(*_: object) -> None:
        raise ValueError("no sweep can be read; import again")

    monkeypatch.setattr(start, "_laid", broken)
    told: list[str] = []
    with pytest.raises(ValueError, match="no sweep can be read"):
        start.review_session(small, port=0, browser=False, say=told.append)
    assert told[0].startswith("http://127.0.0.1:")
