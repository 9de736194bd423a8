"""What the benchmarks share: the shortest time of a call, and how far the memory of a process rises during one."""

from __future__ import annotations

import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

Bound = float | tuple[float, float]  # an upper limit, or a lower and an upper one


def shortest(call: Callable[[], object], repeats: int = 3) -> float:
    """Seconds a call takes: the least of some, since all that disturbs a measurement makes it longer."""
    times = []
    for _ in range(repeats):
        started = time.perf_counter()
        call()
        times.append(time.perf_counter() - started)
    return min(times)


def rise_MB(call: Callable[[], object]) -> float:
    """How far the resident memory rises above what it is now while `call` runs [MB]; NaN where it is not known."""
    before, highest, done = _resident_MB(), 0.0, threading.Event()

    def watch() -> None:
        nonlocal highest
        while not done.is_set():
            highest = max(highest, _resident_MB())
            time.sleep(0.005)

    watcher = threading.Thread(target=watch)
    watcher.start()
    kept = call()  # what it returns counts
    done.set()
    watcher.join()
    highest = max(highest, _resident_MB())
    del kept
    return highest - before


def rise_in_own_process_MB(module: str, *arguments: int) -> float:
    """`peak(*arguments)` of a benchmark in a process of its own: what was freed before counts as used in this one [MB]."""
    code = f"import benchmarks.{module} as b; print(b.peak{arguments!r})"
    scripts = Path(__file__).resolve().parent
    done = subprocess.run([sys.executable, "-c", code], cwd=scripts, capture_output=True, text=True, check=True)
    return float(done.stdout)


def _resident_MB() -> float:
    status = Path("/proc/self/statm")  # Linux only
    return int(status.read_text().split()[1]) * 4096 / 1e6 if status.exists() else float("nan")
