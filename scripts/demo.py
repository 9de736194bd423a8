"""The whole main job on invented sweeps: ``python scripts/demo.py``. Needs only Python 3.11 or newer.

First an afternoon at a small microscope in air (``data/demo-air``), then a session in vacuum (``data/demo``): imports them,
judges every sweep, and writes a page with figures and tables for each, ``demo-results/air.html`` and ``report.html``.
"""

from __future__ import annotations

import os
import shutil
import sys
import time
from pathlib import Path

from _environment import ROOT, ready, run

OUT = Path("demo-results")
AIR, VACUUM = OUT / "air.h5", OUT / "session.h5"
ROWS = ("--rows", "z (m), I (A)", "--rows", "V (V), I (A)")
STEPS: tuple[tuple[str, ...], ...] = (
    ("import", "data/demo-air", *ROWS, "--logbook", "data/demo-air/logbook.csv", "--into", str(AIR)),
    ("check", str(AIR), "--flagged"),
    ("report", str(AIR), "--out", str(OUT / "air")),
    ("import", "data/demo/iz", "data/demo/iv", "--logbook", "data/demo/logbook.csv", "--into", str(VACUUM)),
    ("check", str(VACUUM), "--flagged"),
    ("report", str(VACUUM), "--out", str(OUT / "results")),
)
PAGES = {OUT / "air": OUT / "air.html", OUT / "results": OUT / "report.html"}


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
        print(f"\n$ sts {' '.join(_quoted(word) for word in step)}", flush=True)
        if sts(step):
            print("The demo stopped at the step above.", file=sys.stderr)
            return 1
    for folder, page in PAGES.items():
        shutil.copyfile(ROOT / folder / "report.html", ROOT / page)
    print(f"\nDone in {time.monotonic() - started:.1f} s (after installation). The sweeps are invented.")
    print(f"Open in a browser: {OUT / 'air.html'} (a small microscope in air), {OUT / 'report.html'} (vacuum); "
          f"figures and tables are in {OUT / 'air'} and {OUT / 'results'}.")  # fmt: skip
    return 0


def _quoted(word: str) -> str:
    """As it is typed, on Windows as elsewhere: in double quotes where there is a space."""
    return f'"{word}"' if " " in word else word


if __name__ == "__main__":
    raise SystemExit(main())
