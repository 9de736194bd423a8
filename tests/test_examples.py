"""The gallery scripts run on the demo as they stand and write what they say."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]


@pytest.mark.parametrize(
    ("script", "said"),
    [("after_a_session", "Next time:"), ("comparing_tips", "differ"), ("spectrum_for_a_paper", "gap")],
)
def test_each_example_runs_on_the_demo_and_writes_its_figure(script: str, said: str, tmp_path: Path) -> None:
    picture = tmp_path / f"{script}.svg"
    done = subprocess.run(
        [sys.executable, str(ROOT / "examples" / f"{script}.py"), str(ROOT / "data" / "demo"), str(picture)],
        capture_output=True,
        text=True,
        encoding="utf-8",
        env={**os.environ, "PYTHONUTF8": "1", "MPLBACKEND": "Agg"},
        timeout=120,
    )
    assert done.returncode == 0, done.stderr
    assert said in done.stdout
    assert picture.read_text(encoding="utf-8").count("<path") > 10
    if script == "spectrum_for_a_paper":
        assert len(picture.with_suffix(".csv").read_text(encoding="utf-8").splitlines()) > 50
