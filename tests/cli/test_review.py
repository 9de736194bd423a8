"""The command that serves the review page."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from sts.cli import main
from sts.review import start


def test_it_makes_one_call_of_the_library(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    called: list[Any] = []
    monkeypatch.setattr(start, "review_session", lambda session, plan, **kwargs: called.append((session, plan, kwargs)))
    plan = tmp_path / "plan.toml"
    plan.write_text('spectra.average = "median"')
    assert main(["review", "s.h5", "--port", "6000", "--no-browser", "--plan", str(plan)]) == 0
    session, settings, kwargs = called[0]
    assert session == Path("s.h5")
    assert settings.spectra.average == "median"
    assert (kwargs["port"], kwargs["browser"]) == (6000, False)


def test_a_session_that_is_not_there_is_said_in_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    pytest.importorskip("bokeh", reason="needs bokeh (the extra 'review')")
    assert main(["review", str(tmp_path / "none.h5"), "--no-browser"]) == 2
    assert capsys.readouterr().err.count("\n") == 1


def test_a_port_out_of_range_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["review", "s.h5", "--port", "70000"]) == 2
    assert "70000" in capsys.readouterr().err
