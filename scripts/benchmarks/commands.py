"""What a user waits for: start-up of the commands, and the whole demo analysis from import to report.

Start-up is told as a ratio to ``python -c "import numpy"``, the least any analysis in Python pays. The report is told as
a ratio to saving as many bare figures of one line, in the same formats, with the plotting library alone.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from pathlib import Path

import matplotlib
from _environment import ROOT
from _timing import Bound, shortest
from matplotlib.figure import Figure

import sts

TITLE = "Commands: start-up and the demo"
BOUNDS: dict[str, Bound] = {
    "sts --version over import numpy": 1.5,
    "sts list over import numpy": 8.0,
    "demo, import to report [s]": 10.0,
    "report over as many bare figures": 4.0,
}
DEMO = ROOT / "data" / "demo"


def run(quick: bool = False) -> dict[str, float]:
    """Measure; quick repeats less."""
    repeats = 3 if quick else 9
    with tempfile.TemporaryDirectory() as folder:
        session, out = Path(folder) / "session.h5", Path(folder) / "results"
        steps = {
            "import": ("import", DEMO / "iz", DEMO / "iv", "--logbook", DEMO / "logbook.csv", "--into", session),
            "check": ("check", session, "--flagged"),
            "report": ("report", session, "--out", out),
        }
        seconds = {f"sts {name} of the demo [s]": _command(*step) for name, step in steps.items()}
        numpy = shortest(lambda: _python("-c", "import numpy"), repeats)
        version = shortest(lambda: _command("--version"), repeats)
        listing = shortest(lambda: _command("list", session), repeats)
        report, bare = _report(session, Path(folder))
    return {
        "import numpy [s]": numpy,
        "sts --version [s]": version,
        "sts list [s]": listing,
        "sts --version over import numpy": version / numpy,
        "sts list over import numpy": listing / numpy,
        **seconds,
        "demo, import to report [s]": sum(seconds.values()),
        "report over as many bare figures": report / bare,
    }


def _report(session: Path, folder: Path) -> tuple[float, float]:
    """Seconds of a report (analysed before), and of as many bare figures, both in this process."""
    results = sts.analyse(session)
    matplotlib.use("Agg")
    report = shortest(lambda: sts.write_results(results, folder / "again", force=True), 2)
    pictures = [p for p in (folder / "again").rglob("*") if p.suffix in (".svg", ".png", ".pdf")]

    def bare() -> None:
        for picture in pictures:
            figure = Figure(figsize=(3.4, 2.6))
            figure.subplots().plot([0, 1], [0, 1])
            figure.savefig(folder / f"bare{picture.suffix}", dpi=300)

    return report, shortest(bare, 2)


def _command(*arguments: str | Path) -> float:
    return _python("-m", "sts", *arguments)


def _python(*arguments: str | Path) -> float:
    started = time.perf_counter()
    subprocess.run([sys.executable, *arguments], check=True, capture_output=True)
    return time.perf_counter() - started
