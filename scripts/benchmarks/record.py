"""How fast and how lean `sts tips` is: 50 sessions of 200 sweeps each (four tips at five sites, I(z) and I(V)), as a command.

- ``seconds``: the whole command, start-up, page and charts included, with the second process that helps.
- ``cpu_seconds``: what both processes worked.
- ``over_reading``: that over the time in which this process reads all sweeps of the sessions into memory.
- ``memory_MB``: highest sum over both processes of what they alone hold and their share of what they hold together.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np
from _timing import Bound, shortest

from sts.loaders import LoadedFile
from sts.session import Session
from sts.simulate import Bench, simulate_iv, simulate_iz
from sts.sweeps import SweepSet

TITLE = "Tips over time: a record of many sessions"
BOUNDS: dict[str, Bound] = {"seconds": 20.0, "memory_MB": 500.0}
TIPS, SITES, REPEATS, SPECTRA = 4, 5, 6, 10  # 30 sweeps I(z) and 20 I(V) a tip


def make_session(path: Path, number: int) -> None:
    """An invented session of 200 sweeps on a day of its own."""
    rng = np.random.default_rng(number)
    files = []
    for tip in range(TIPS):
        labels: dict[str, Any] = {
            "tip": f"tip {tip}",
            "sample": "gold",
            "started": f"2026-{1 + number // 28:02d}-{1 + number % 28:02d}T14:00:00",
        }
        each = np.repeat(4.2 * np.exp(0.02 * rng.normal() + 0.03 * rng.normal(size=SITES)), REPEATS)
        ramps = simulate_iz(
            barrier_eV=each, sweeps=each.size, bench=Bench(white_A=1e-12, gap_noise=0.01), seed=rng, **labels
        )
        biases = simulate_iv(
            density="gapped", sweeps=SPECTRA, bench=Bench(white_A=1e-12), seed=rng, site="s0", **labels
        )
        table = ramps.sweeps.table.assign(
            site=np.repeat([f"s{i}" for i in range(SITES)], REPEATS), repeat=np.tile(np.arange(1.0, REPEATS + 1), SITES)
        )
        for kind, part in (("z", ramps.sweeps.with_table(table)), ("v", biases.sweeps)):
            files.append(_file(f"{kind}_{number}_{tip}", part))
    Session.create(path).add(files)


def _file(name: str, sweeps: SweepSet) -> LoadedFile:
    return LoadedFile(f"{name}.npy", sweeps.current.tobytes(), "npy", "", (sweeps,))


def run(quick: bool = False) -> dict[str, float]:
    """Measure; 50 sessions, or five."""
    count = 5 if quick else 50
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for number in range(count):
            make_session(folder / f"{number:02d}.h5", number)
        paths = sorted(folder.glob("*.h5"))
        reading = shortest(lambda: [Session.open(path).sets() for path in paths], 2)
        before, started = os.times(), time.perf_counter()
        command = [sys.executable, "-m", "sts", "tips", str(folder / "*.h5"), "--out", str(folder / "tips")]
        process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        memory = 0.0
        while process.poll() is None:
            memory = max(memory, _held_MB(process.pid))
            time.sleep(0.05)
        seconds, after = time.perf_counter() - started, os.times()
        if process.returncode:
            raise RuntimeError("sts tips failed; run it by hand")
    return {
        "seconds": seconds,
        "cpu_seconds": sum(after[2:4]) - sum(before[2:4]),
        "seconds of reading": reading,
        "over_reading": seconds / reading,
        "memory_MB": memory or float("nan"),
    }


def _held_MB(process: int) -> float:
    """Proportional set size of a process and its children [MB]; 0 where the system does not tell."""
    found = 0.0
    try:
        below = [
            int(child)
            for thread in Path(f"/proc/{process}/task").glob("*/children")
            for child in thread.read_text().split()
        ]
        for one in (process, *below):
            lines = Path(f"/proc/{one}/smaps_rollup").read_text().splitlines()
            found += sum(float(line.split()[1]) for line in lines if line.startswith("Pss:")) * 1024 / 1e6
    except OSError:  # it has just ended, or the system is another
        return found
    return found
