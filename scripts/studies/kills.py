"""Processes killed at random moments while they change a session, and two that import at once.

Whatever happens, the session must open and hold either what it held before or the whole change, with every number
as it was. Needs ``SIGKILL``; on Windows a process is ended by ``TerminateProcess``, which it cannot catch either.
"""

from __future__ import annotations

import multiprocessing
import random
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from multiprocessing.process import BaseProcess
from multiprocessing.synchronize import Event
from pathlib import Path
from typing import Any

import numpy as np

from sts.comparing.calibration import Calibration
from sts.loaders.loaded import LoadedFile
from sts.session import Session, SessionError, annotate, merge
from sts.sweeps import SweepSet, sweep_table
from studies import Finding

TITLE = "Kills and simultaneous imports"
CHANGES = ("import", "mark", "calibrate", "annotate", "merge")


def run(quick: bool, seed: int) -> list[Finding]:
    """300 kills (40 if quick) shared between the five changes; 50 (8) double imports."""
    kills, doubles = (40, 8) if quick else (300, 50)
    findings = []
    with tempfile.TemporaryDirectory() as folder:
        for change in CHANGES:
            lost, during, stale = killed(Path(folder), change, kills // len(CHANGES), seed)
            findings += [
                Finding(f"killed during {change}", "sessions that lost anything", lost, 0, 0, kills // len(CHANGES)),
                Finding(f"killed during {change}", "temporary files left after the next run", stale, 0, 0,
                        kills // len(CHANGES)),
                Finding(f"killed during {change}", "share of kills before the change took effect [%]",
                        100 * during / (kills // len(CHANGES)), trials=kills // len(CHANGES)),
            ]  # fmt: skip
        lost = sum(imported_at_once(Path(folder) / f"double{i}.h5", seed + i) for i in range(doubles))
        findings.append(Finding("two processes import at once", "sweeps missing", lost, 0, 0, doubles))
    return findings


def example(number: int, *, sweeps: int = 40, points: int = 512) -> LoadedFile:
    """An invented file, the same for the same number."""
    current = np.random.default_rng(number).normal(size=(sweeps, points))
    table = sweep_table([f"f{number}_{i}" for i in range(sweeps)], tip=f"tip {number % 3}")
    sets = (SweepSet("iv", np.linspace(-1, 1, points), current, table),)
    return LoadedFile(f"f{number}.npy", current.tobytes(), "npy", "", sets)


def _change(change: str, path: Path, number: int) -> None:
    session = Session(path)
    if change == "import":
        session.add([example(number), example(number + 1)])
    elif change == "mark":
        session.mark([f"f0_{i}" for i in range(20)], "omit", f"round {number}")
    elif change == "calibrate":
        factor = 1 + number / 1e4
        session.add_calibration("height", Calibration(factor, 0.01, f"round {number}", measured=1.0, known=factor))
    elif change == "annotate":
        annotate(path, lambda table, kind: table.assign(tip=f"round {number}"), source="logbook.csv")
    else:
        merge(path, path.with_name(f"other{number}.h5"))


@dataclass(frozen=True)
class State:
    """What a session holds, beside the numbers."""

    files: frozenset[str]
    decisions: int
    calibrations: int
    corrected: int  # cells in the log of annotations
    tips: frozenset[str]


def _state(path: Path) -> State:
    """What a session holds; every number and every original is checked.

    Raises
    ------
    SessionError, AssertionError
        If the session does not open, or holds anything else than what went in.
    """
    session = Session.open(path)
    files = set(session.sources()["name"])
    found = _by_name(session.sets())
    for name in files:
        file = example(int(name[1:-4]))
        assert session.original(name) == file.content, name
        for sweep, current in zip(file.sets[0].names, file.sets[0].current, strict=True):
            assert np.array_equal(found.pop(sweep), current), sweep
    assert not found
    return State(
        frozenset(files), len(session.decisions()), len(session.calibrations()), len(session.annotations()),
        frozenset(session.sweeps()["tip"]),
    )  # fmt: skip


def killed(folder: Path, change: str, kills: int, seed: int) -> tuple[int, int, int]:
    """Kill `kills` processes at random moments of a change.

    Returns
    -------
    lost, before, stale : int
        Sessions that were not whole; kills before the change took effect; temporary files left after the next run.
    """
    moments = random.Random(f"{seed}/{change}")
    path = folder / f"{change} séance µ.h5"  # a space and letters beyond ASCII on purpose
    Session.create(path).add([example(0)])
    lost = before_it = 0
    duration = _duration(folder, change)
    for number in range(1, kills + 1):
        if change == "merge":
            Session.create(path.with_name(f"other{number}.h5")).add([example(2 * number), example(2 * number + 1)])
        before = _state(path)
        _kill_during(change, path, 2 * number if change == "import" else number, moments, duration)
        try:
            after = _state(path)
        except (SessionError, AssertionError) as error:
            print(f"{change}, round {number}: {error}", file=sys.stderr)
            lost += 1
            path.unlink()
            Session.create(path).add([example(0)])
            continue
        whole = _expected(change, before, number)
        lost += after not in (before, whole)
        before_it += after == before
        if change in ("import", "merge") and len(after.files) > 20:  # keep the rounds equally long
            path.unlink()
            Session.create(path).add([example(0)])
    Session(path).mark(["f0_0"], "keep", "the next run")
    stale = sum(name.name.endswith(".part") for name in folder.iterdir())
    return lost, before_it, stale


def _expected(change: str, before: State, number: int) -> State:
    if change in ("import", "merge"):
        numbers = (2 * number, 2 * number + 1)
        tips = before.tips | {f"tip {n % 3}" for n in numbers}
        return replace(before, files=before.files | {f"f{n}.npy" for n in numbers}, tips=tips)
    if change == "annotate":
        return replace(before, corrected=before.corrected + 40, tips=frozenset({f"round {number}"}))
    if change == "mark":
        return replace(before, decisions=before.decisions + 20)
    return replace(before, calibrations=before.calibrations + 1)


_POSIX = "forkserver" in multiprocessing.get_all_start_methods()
CONTEXT: Any = multiprocessing.get_context("forkserver" if _POSIX else "spawn")
if _POSIX:  # processes start quickly, with everything imported already, so that kills fall within the change
    CONTEXT.set_forkserver_preload(
        ["sts.comparing.calibration", "sts.loaders.loaded", "sts.plan", "sts.session", "sts.sweeps"]
    )


def _announced(change: str, path: Path, number: int, begun: Event, done: Event) -> None:
    begun.set()
    _change(change, path, number)
    done.set()


def _start(change: str, path: Path, number: int) -> tuple[BaseProcess, Event]:
    begun, done = CONTEXT.Event(), CONTEXT.Event()
    process = CONTEXT.Process(target=_announced, args=(change, path, number, begun, done))
    process.start()
    begun.wait(60)
    return process, done


def _kill_during(change: str, path: Path, number: int, moments: random.Random, span: float) -> None:
    process, _ = _start(change, path, number)
    time.sleep(moments.uniform(0, 1.2 * span))
    process.kill()
    process.join()


def _duration(folder: Path, change: str) -> float:
    """How long one such change takes [s]: the shortest of three."""
    path = folder / f"timed {change}.h5"
    Session.create(path).add([example(0)])
    times = []
    for number in (999992, 999994, 999996):
        if change == "merge":
            Session.create(path.with_name(f"other{number}.h5")).add([example(number), example(number + 1)])
        process, done = _start(change, path, number)
        start = time.perf_counter()
        done.wait(60)
        times.append(time.perf_counter() - start)
        process.join()
    return min(times)


def _import_several(path: Path, numbers: list[int]) -> None:
    for number in numbers:
        Session(path).add([example(number, sweeps=5)])


def imported_at_once(path: Path, seed: int) -> int:
    """Two processes import two files each at once, one of them in common; return how many sweeps are missing."""
    Session.create(path)
    first = 10 * (seed + 1)
    lists = [[first, first + 1], [first + 2, first + 1]]
    processes = [CONTEXT.Process(target=_import_several, args=(path, numbers)) for numbers in lists]
    for process in processes:
        process.start()
    for process in processes:
        process.join()
    held = _by_name(Session.open(path).sets())
    wanted = _by_name([example(number, sweeps=5).sets[0] for number in range(first, first + 3)])
    missing = sum(name not in held or not np.array_equal(held[name], wanted[name]) for name in wanted)
    return missing + len(held.keys() - wanted.keys())


def _by_name(sets: Sequence[SweepSet]) -> dict[str, np.ndarray]:
    return {name: row for part in sets for name, row in zip(part.names, part.current, strict=True)}


if __name__ == "__main__":
    for finding in run(quick="--quick" in sys.argv, seed=1):
        print(f"{'ok ' if finding.kept else 'NOT'} {finding.case}: {finding.measure} {finding.value:g}"
              f" of {finding.trials}")  # fmt: skip
