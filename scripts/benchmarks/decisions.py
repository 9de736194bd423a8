"""How soon a decision reaches the tip table: the measured stage is kept, and only what a mark touches is made again.

- ``mark_218_ms``: median time from a mark to the new tables on the demo's 218 sweeps; ``mark_5000_ms``: on 5,000 height
  sweeps of ten tips. Milliseconds, since a person waits for them; ``mark_218_over_measure`` and ``mark_5000_over_measure``
  are the same over the time to measure.
"""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd
from _environment import ROOT

import sts
from sts.loaders import LoadedFile
from sts.session import Session
from sts.simulate import Bench, HeightRamp, simulate_iz

TITLE = "Decisions: from a mark to the tables"
BOUNDS = {"mark_218_ms": 50.0, "mark_5000_ms": 300.0}

DEMO = ROOT / "data" / "demo"
BENCH = Bench(white_A=1e-12, gap_noise=0.01)


def run(quick: bool = False) -> dict[str, float]:
    """Measure on the demo, and on 5,000 sweeps or a tenth of that."""
    with tempfile.TemporaryDirectory() as folder:
        demo, large = Path(folder) / "demo.h5", Path(folder) / "large.h5"
        sts.import_files([DEMO / "iz", DEMO / "iv"], demo, logbook=DEMO / "logbook.csv")
        _many(large, 500 if quick else 5000)
        found: dict[str, float] = {}
        for number, path in ((218, demo), (5000, large)):
            mark, measure = _timed(path)
            found |= {f"mark_{number}_ms": 1e3 * mark, f"mark_{number}_over_measure": mark / measure}
    return found


def _many(path: Path, sweeps: int, tips: int = 10) -> None:
    """A session of invented height sweeps, five sites per tip."""
    files = []
    for tip in range(tips):
        repeats = sweeps // tips // 2
        made = simulate_iz(
            barrier_eV=4.4,
            height=(0.0, 0.36e-9, 128),
            sweeps=repeats,
            bench=BENCH,
            seed=tip,
            tip=f"tip {tip}",
            ramp=HeightRamp(directions=("retract", "approach")),
        ).sweeps
        count = len(made)
        table = made.table.assign(
            site=(np.arange(count) * 5 // count).astype(str), sweep=[f"tip{tip}_{i}" for i in range(count)]
        )
        files.append(LoadedFile(f"{tip}.npz", str(tip).encode(), "npy", "", (made.with_table(table),)))
    Session.create(path).add(files)


def _timed(path: Path) -> tuple[float, float]:
    """Median time to summarise after one more mark, and the time to measure [s]."""
    session = Session.open(path)
    start = time.perf_counter()
    measured = sts.measure(session)
    measuring = time.perf_counter() - start
    decisions = session.decisions()
    measured.summarise(decisions)
    names = [name for part in measured.sets if part.kind == "iz" for name in part.names]
    times = []
    for name in names[:: len(names) // 15]:
        mark = pd.DataFrame({"time": ["2026-01-01T00:00:00Z"], "sweep": [name], "action": ["omit"], "why": ["x"]})
        decisions = pd.concat([decisions, mark], ignore_index=True)
        start = time.perf_counter()
        measured.summarise(decisions)
        times.append(time.perf_counter() - start)
    return float(np.median(times)), measuring
