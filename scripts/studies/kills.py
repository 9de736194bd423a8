"""Processes killed at random moments while they change a session or write results, and several that import at once.

Whatever happens, the session must open and hold either what it held before or the whole change, with every number
as it was; a folder of results must hold the files of one run, byte for byte. Needs ``SIGKILL``; on Windows a process is
ended by ``TerminateProcess``, which it cannot catch either.
"""

from __future__ import annotations

import multiprocessing
import os
import random
import shutil
import sys
import tempfile
import time
import warnings
from collections.abc import Sequence
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass, replace
from multiprocessing.process import BaseProcess
from multiprocessing.synchronize import Event
from pathlib import Path
from typing import Any

import numpy as np

from sts.cli import main as commands
from sts.comparing.calibration import Calibration
from sts.loaders.loaded import LoadedFile
from sts.session import Session, SessionError, annotate, merge
from sts.session.locking import SessionWarning
from sts.simulate import Bench, simulate_iv, simulate_iz
from sts.sweeps import SweepSet, sweep_table
from studies import Finding

TITLE = "Kills and simultaneous imports"
CHANGES = ("import", "mark", "calibrate", "annotate", "merge")


OUTPUTS = {  # commands that write results, and what they need beside session and folder
    "report": (), "spectra": ("--force",), "barrier": ("--force",), "export": ("csv", "--force"), "rescue": (),
}  # fmt: skip
WRITERS, READERS = 6, 2


def run(quick: bool, seed: int) -> list[Finding]:
    """1,000 kills (50 if quick) during five changes and five commands that write; 50 (4) imports at once of two and of six."""
    kills, doubles = (25, 4) if quick else (500, 50)
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
        for command in OUTPUTS:
            half, before = killed_while_writing(Path(folder), command, kills // len(OUTPUTS), seed)
            case, trials = f"killed during {command}", kills // len(OUTPUTS)
            findings += [
                Finding(case, "folders that are not of one run", half, 0, 0, trials),
                Finding(case, "share of kills before the results were there [%]", 100 * before / trials, trials=trials),
            ]
        lost = sum(imported_at_once(Path(folder) / f"double{i}.h5", seed + i) for i in range(doubles))
        findings.append(Finding("two processes import at once", "sweeps missing", lost, 0, 0, doubles))
        wrong = sum(written_and_read(Path(folder) / f"many{i}.h5") for i in range(doubles))
        findings.append(
            Finding(
                "six processes import and two read at once",
                "sweeps missing, changed or out of order",
                wrong,
                0,
                0,
                doubles,
            )
        )
    return findings


def killed_while_writing(folder: Path, command: str, kills: int, seed: int) -> tuple[int, int]:
    """Kill `kills` processes at random moments of a command that writes results, half of them once it has begun to write.

    Returns
    -------
    half, before : int
        Folders (or files) that hold neither what an earlier run left nor all of this one; kills that left the earlier one.
    """
    moments = random.Random(f"{seed}/{command}")
    old, new = (_measured(folder / f"{command} {name}.h5", marked) for name, marked in (("old", False), ("new", True)))
    wanted = []
    for session in (old, new):
        alone = session.with_name(f"{session.stem} whole{'.h5' if command == 'rescue' else ''}")
        _write(command, session, alone)
        wanted.append(_contents(alone))
    started = time.perf_counter()
    process = CONTEXT.Process(target=_write, args=(command, new, folder / f"timed {command}"))
    process.start()
    process.join()
    duration = time.perf_counter() - started
    half = before = 0
    place = folder / command / ("résultats µ.h5" if command == "rescue" else "résultats µ")
    for number in range(kills):
        _emptied(place.parent)
        if command != "rescue":  # it never writes over anything
            _write(command, old, place)
        there = set(place.parent.iterdir())
        process = CONTEXT.Process(target=_write, args=(command, new, place))
        process.start()
        if number % 2:
            until = time.perf_counter() + 3 * duration
            while time.perf_counter() < until and process.is_alive() and set(place.parent.iterdir()) == there:
                time.sleep(0.001)
            time.sleep(moments.uniform(0, 0.3 * duration))
        else:
            time.sleep(moments.uniform(0, 1.2 * duration))
        process.kill()
        process.join()
        found = _contents(place)
        earlier = {} if command == "rescue" else wanted[0]
        half += found not in (earlier, wanted[1])
        before += found == earlier
    return half, before


def _emptied(folder: Path) -> None:
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()


def _measured(path: Path, marked: bool) -> Path:
    """A small invented session of both kinds; marked, one sweep is left out by hand."""
    current = simulate_iv(density="flat", bias=(-1, 1, 61), sweeps=4, bench=Bench(white_A=1e-12), seed=1).sweeps
    height = simulate_iz(barrier_eV=4.4, height=(0, 0.4e-9, 60), sweeps=4, bench=Bench(white_A=1e-12), seed=1, tip="heron",
                         site="1").sweeps  # fmt: skip
    session = Session.create(path)
    session.add([LoadedFile(f"{part.kind}.npy", part.kind.encode(), "npy", "", (part,)) for part in (current, height)])
    if marked:
        session.mark([current.names[0]], "omit", "invented")
    return path


def _write(command: str, session: Path, place: Path) -> None:
    """The command itself, quietly."""
    rest = OUTPUTS[command]
    with Path(os.devnull).open("w", encoding="utf-8") as nothing, redirect_stdout(nothing), redirect_stderr(nothing):
        status = commands([command, str(session), *rest, "--out", str(place)])
    if status:
        raise RuntimeError(f"sts {command} ended with status {status}.")


def _contents(place: Path) -> dict[str, bytes]:
    """All files of a folder; of a session its sweeps and decisions, since its bytes hold times."""
    if place.suffix != ".h5":
        return {str(path.relative_to(place)): path.read_bytes() for path in sorted(place.rglob("*")) if path.is_file()}
    if not place.exists():
        return {}
    session = Session.open(place)
    held = {name: current.tobytes() for name, current in _by_name(session.sets()).items()}
    return held | {"decisions": str(len(session.decisions())).encode()}


def written_and_read(path: Path) -> int:
    """Six processes import three files each while two read; return how many sweeps are missing, changed or out of order."""
    Session.create(path)
    lists = [[100 * writer + number for number in range(3)] for writer in range(1, WRITERS + 1)]
    wrong = CONTEXT.Value("i", 0)
    writers = [CONTEXT.Process(target=_import_several, args=(path, numbers)) for numbers in lists]
    readers = [CONTEXT.Process(target=_read_again, args=(path, wrong)) for _ in range(READERS)]
    for process in writers + readers:
        process.start()
    for process in writers + readers:
        process.join()
    order = Session.open(path).sources()["name"].tolist()
    held = _by_name(Session.open(path).sets())
    wanted = _by_name([example(number, sweeps=5).sets[0] for numbers in lists for number in numbers])
    missing = sum(name not in held or not np.array_equal(held[name], current) for name, current in wanted.items())
    turned = sum(
        [name for name in order if name in own] != own
        for own in ([f"f{number}.npy" for number in numbers] for numbers in lists)
    )
    return int(wrong.value) + missing + turned + len(held.keys() - wanted.keys())


def _read_again(path: Path, wrong: Any) -> None:
    """Read while others write: every sweep that is there is whole, and none goes again."""
    known: set[str] = set()
    for _ in range(12):
        held = _by_name(Session.open(path).sets())
        whole = _by_name(
            [example(number, sweeps=5).sets[0] for number in {int(name[1:].split("_")[0]) for name in held}]
        )
        bad = len(known - held.keys()) + sum(not np.array_equal(held[name], whole[name]) for name in held)
        known = set(held)
        with wrong.get_lock():
            wrong.value += bad


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
        [
            "sts.cli",
            "sts.comparing.calibration",
            "sts.loaders.loaded",
            "sts.plan",
            "sts.session",
            "sts.simulate",
            "sts.sweeps",
        ]
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
    warnings.simplefilter("ignore", SessionWarning)  # it says whom it waits for
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
