"""The gallery scripts run on the demo as they stand and write what they say."""

from __future__ import annotations

import runpy
import sys
from pathlib import Path

import matplotlib
import pytest

ROOT = Path(__file__).parents[1]


@pytest.mark.parametrize(
    ("script", "said"),
    [("after_a_session", "Next time:"), ("comparing_tips", "differ"), ("spectrum_for_a_paper", "gap")],
)
def test_each_example_runs_on_the_demo_and_writes_its_figure(
    script: str, said: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    picture = tmp_path / f"{script}.svg"
    monkeypatch.setattr(sys, "argv", [script, str(ROOT / "data" / "demo"), str(picture)])
    matplotlib.use("Agg")
    runpy.run_path(str(ROOT / "examples" / f"{script}.py"), run_name="__main__")
    assert said in capsys.readouterr().out
    assert picture.read_text(encoding="utf-8").count("<path") > 10
    if script == "spectrum_for_a_paper":
        assert len(picture.with_suffix(".csv").read_text(encoding="utf-8").splitlines()) > 50
