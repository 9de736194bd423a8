"""The whole main job on the invented demo data: ``python scripts/demo.py``. Needs only Python 3.11 or newer.

Imports ``data/demo``, judges every sweep, and writes ``demo-results/report.html`` with its figures and tables.
"""

from __future__ import annotations

import os
import shutil
import sys
import time
from pathlib import Path

from _environment import ROOT, ready, run

OUT = Path("demo-results")
SESSION = OUT / "session.h5"
STEPS: tuple[tuple[str, ...], ...] = (
    ("import", "data/demo/iz", "data/demo/iv", "--logbook", "data/demo/logbook.csv", "--into", str(SESSION)),
    ("check", str(SESSION), "--flagged"),
    ("report", str(SESSION), "--out", str(OUT / "results")),
)


def main() -> int:
    """Prepare the environment, then do the steps in it: one process, so that nothing is loaded thrice."""
    if sys.argv[1:] != ["--prepared"]:
        ready("run")
        return run(Path(__file__), "--prepared")
    from sts.cli import main as sts

    os.chdir(ROOT)
    shutil.rmtree(ROOT / OUT, ignore_errors=True)
    (ROOT / OUT).mkdir()
    started = time.monotonic()
    for step in STEPS:
        print(f"\n$ sts {' '.join(step)}", flush=True)
        if sts(step):
            print("The demo stopped at the step above.", file=sys.stderr)
            return 1
    shutil.copyfile(ROOT / OUT / "results" / "report.html", ROOT / OUT / "report.html")
    print(f"\nDone in {time.monotonic() - started:.1f} s (after installation). The sweeps are invented.")
    print(f"Open {OUT / 'report.html'} in a browser; figures and tables are in {OUT / 'results'}.")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
