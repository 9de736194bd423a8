"""A process beside this one: it finds the package, and nothing that lies where the user works."""

from __future__ import annotations

import subprocess
from pathlib import Path

import sts
from sts.processes import start_python


def test_it_runs_this_package_and_no_module_among_the_data(tmp_path: Path, monkeypatch) -> None:
    (tmp_path / "statistics.py").write_text("raise SystemExit('of a stranger')\n")
    monkeypatch.chdir(tmp_path)
    process = start_python(
        "-c", "import statistics, sts; print(sts.__file__, statistics.mean([1, 3]))", stdout=subprocess.PIPE, text=True
    )
    said, _ = process.communicate()
    assert (process.returncode, said.split()) == (0, [sts.__file__, "2"])
