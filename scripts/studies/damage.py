"""Damaged sessions: one bit flipped anywhere, or the end cut off; then read whole, and rescued.

Whatever happened, a session must be read as it was or be refused in one line, within seconds, and a rescue may give no number that
was not there, nor leave a loss unnamed, nor lose a sweep, a cell or an original that is whole: that plain HDF5, asked for it by its
place, gives as it was. Each file is read and rescued in a process of its own kind, which is ended where it hangs.
"""

from __future__ import annotations

import io
import multiprocessing
import signal
import tempfile
from collections import Counter
from collections.abc import Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import h5py
import numpy as np

from sts.comparing.calibration import Calibration
from sts.importing import import_files
from sts.session import Session, SessionError, rescue
from studies import Finding

TITLE = "Damaged sessions"
LIMIT = 20.0  # [s] of the processor after which a process counts as hanging
PATIENCE = 600.0  # [s] by the clock, after which it does, too
LOST = "the original is lost"
Answer = tuple[str, str, Counter[str]]  # what reading gave, what the rescue, and what it missed
LOGS = ("decisions", "calibrations", "annotations", "looked", "sources")


def run(quick: bool, seed: int) -> list[Finding]:
    """2,000 flipped bits and 500 cuts (60 and 20 if quick)."""
    flips, cuts = (60, 20) if quick else (2000, 500)
    rng = np.random.default_rng(seed)
    with tempfile.TemporaryDirectory() as folder:
        whole = invented(Path(folder))
        places = zip(rng.integers(0, len(whole), flips).tolist(), rng.integers(0, 8, flips).tolist(), strict=True)
        lengths = rng.integers(100, len(whole), cuts).tolist()
        return [
            *findings(
                "one bit flipped", tried(Path(folder), whole, (flipped(whole, *place) for place in places)), flips
            ),
            *findings("end cut off", tried(Path(folder), whole, (whole[:length] for length in lengths)), cuts),
        ]


def invented(folder: Path) -> bytes:
    """A session of invented sweeps of both kinds, with a logbook, decisions and a calibration."""
    rng = np.random.default_rng(1)
    bias, height = np.linspace(-1, 1, 80), np.linspace(0, 0.8, 90)
    for name in ("a1", "a2", "b1"):
        rows = [f"{v:.4f};{2 * v + v**3 + rng.normal(scale=0.01):.6f}" for v in bias]
        (folder / f"{name}.csv").write_text(f"# tip: {name[0]}\nV (V);I (nA)\n" + "\n".join(rows), encoding="utf-8")
    rows = [f"{z:.4f};{np.exp(-20 * z) + rng.normal(scale=0.001):.6f}" for z in height]
    (folder / "z1.csv").write_text("# bias: 0.1 V\nz (nm);I (nA)\n" + "\n".join(rows), encoding="utf-8")
    (folder / "log.csv").write_text(f"file;site;remark\na1.csv;1;calm\na2.csv;2;{'x' * 600}\n", encoding="utf-8")
    path = folder / "whole.h5"
    import_files([folder / f"{name}.csv" for name in ("a1", "a2", "b1", "z1")], path, logbook=folder / "log.csv")
    session = Session.open(path)
    names = session.sweeps()["sweep"].tolist()
    session.mark(names[:1], "omit", "tip touched")
    session.mark(names[1:2], "keep", "looked at twice")
    session.add_calibration("height", Calibration(1.1, 0.01, "step", measured=0.2, known=0.22))
    return path.read_bytes()


def flipped(content: bytes, at: int, bit: int) -> bytes:
    """The same with one bit the other way."""
    return content[:at] + bytes([content[at] ^ (1 << bit)]) + content[at + 1 :]


# --- what is whole -----------------------------------------------------------------------------------------------------


class Oracle:
    """What plain HDF5 still gives of a damaged session as it was, and how much of that a rescue did not save."""

    def __init__(self, good: bytes) -> None:
        self.good = good
        self.known: dict[str, Any] = {}
        with h5py.File(io.BytesIO(good), "r") as file:
            file.visititems(lambda place, item: self.known.update(self._seen(place, item)))

    @staticmethod
    def _seen(place: str, item: Any) -> dict[str, Any]:
        if not isinstance(item, h5py.Dataset):
            return {}
        attributes = sorted((key, np.asarray(value).tolist()) for key, value in item.attrs.items())
        return {place: (item.shape, item[...].tolist(), attributes)}

    def whole(self, damaged: bytes) -> set[str]:
        """The places of all datasets that are as they were; the first bytes, which lead to all, are put right before."""
        found = set()
        content = self.good[:48] + damaged[48:] + bytes(len(self.good) - len(damaged))
        with suppress(Exception), h5py.File(io.BytesIO(content), "r") as file:
            for place, was in self.known.items():
                with suppress(Exception):
                    if self._seen(place, file[place])[place] == was:
                        found.add(place.removeprefix("entry/"))
        return found

    def missed(self, damaged: bytes, new: Path | None) -> Counter[str]:
        """Sweeps, cells and originals that are whole and that the rescue (None: nothing) has not."""
        whole = self.whole(damaged)
        saved = Session.open(new) if new else None
        return Counter(
            {
                "sweeps": len(self._sweeps(whole) - (_sweeps(saved) if saved else set())),
                "cells": sum((self._cells(whole) - (_cells(saved) if saved else Counter())).values()),
                "originals": len(self._originals(whole) - (_originals(saved) if saved else set())),
            }
        )

    def _sets(self, whole: set[str]) -> Iterator[tuple[str, list[bytes]]]:
        """Each set whose numbers are whole, and the numbers of its sweeps."""
        for place in self.known:
            name = place.split("/")[1]
            axis = f"{name}/{'bias' if name.startswith('iv') else 'height'}"
            if place.endswith("/current") and {axis, f"{name}/current"} <= whole:
                start = np.array(self.known[f"entry/{axis}"][1]).tobytes()
                yield name, [start + np.array(row).tobytes() for row in self.known[place][1]]

    def _sweeps(self, whole: set[str]) -> set[bytes]:
        return {numbers for _, sweeps in self._sets(whole) for numbers in sweeps}

    def _column(self, place: str) -> list[str]:
        return [_text(value) for value in self.known[f"entry/{place}"][1]]

    def _cells(self, whole: set[str]) -> Counter[Any]:
        cells: Counter[Any] = Counter()
        for name, sweeps in self._sets(whole):
            for place in whole:
                group, column = place.split("/") if "/" in place else ("", "")
                if group == name and column in ("name", "tip", "site", "remark", "source", "bias_V"):
                    own = "sweep" if column == "name" else column
                    cells.update(
                        (numbers, own, value) for numbers, value in zip(sweeps, self._column(place), strict=True)
                    )
        for log, needed in NEEDED.items():
            columns = {place.split("/")[1] for place in whole if place.startswith(f"{log}/")}
            if needed <= {"sweep" if column == "name" else column for column in columns}:
                for column in columns:
                    own = "sweep" if column == "name" else column
                    cells.update((log, own, value) for value in self._column(f"{log}/{column}"))
        return cells

    def _originals(self, whole: set[str]) -> set[str]:
        needed = {f"sources/{column}" for column in ("content", "offset", "size", "sha256", "name")}
        return set(self._column("sources/sha256")) if needed <= whole else set()


NEEDED = {
    "decisions": {"sweep", "action"},
    "calibrations": {"kind", "factor", "factor_se"},
}  # as a row says nothing without


def _text(value: Any) -> str:
    return value.decode("utf-8") if isinstance(value, bytes) else str(value)


def _numbers(session: Session) -> dict[str, bytes]:
    return {
        name: part.axis.tobytes() + current.tobytes()
        for part in session.sets()
        for name, current in zip(part.names, part.current, strict=True)
    }


def _sweeps(session: Session) -> set[bytes]:
    return set(_numbers(session).values())


def _cells(session: Session) -> Counter[Any]:
    numbers = _numbers(session)
    cells: Counter[Any] = Counter()
    for row in session.sweeps().to_dict("records"):
        cells.update((numbers[row["sweep"]], str(column), _text(value)) for column, value in row.items())
    for log in NEEDED:
        for row in getattr(session, log)().to_dict("records"):
            cells.update((log, str(column), _text(value)) for column, value in row.items())
    return cells


def _originals(session: Session) -> set[str]:
    found = session.sources()
    return {sha for name, sha in zip(found["name"], found["sha256"], strict=True) if _original(session, name) != LOST}


# --- reading and rescuing, in a process that may be ended ------------------------------------------------------------


@dataclass(frozen=True)
class Content:
    """All that a session says."""

    numbers: dict[str, bytes]
    tables: tuple[str, ...]

    @classmethod
    def of(cls, path: Path) -> Content:
        session = Session.open(path)
        sets = session.sets()
        numbers = _numbers(session)
        read = [session.sweeps().drop(columns="set"), *(getattr(session, log)() for log in LOGS)]
        tables = [table.sort_values(next(iter(table))).to_csv(index=False) for table in read]
        originals = [_original(session, name) for name in sorted(session.sources()["name"])]
        return cls(numbers, (*tables, *originals, *(part.lockin_unit for part in sets)))


def _original(session: Session, name: str) -> str:
    """The bytes of an imported file; what is said where they are lost."""
    try:
        return session.original(name).hex()
    except SessionError:
        return LOST


def work(pipe: Connection, folder: Path) -> None:
    """Answer what happened to each content that comes through the pipe."""
    good = Content.of(folder / "whole.h5")
    oracle = Oracle((folder / "whole.h5").read_bytes())
    while (content := pipe.recv()) is not None:
        if hasattr(signal, "setitimer"):  # the system ends what takes longer; its clock is not that of a busy machine
            signal.setitimer(signal.ITIMER_PROF, LIMIT)
        answers = _read(folder, content, good), _rescued(folder, good)
        missed = oracle.missed(content, new if (new := folder / "new.h5").exists() else None)
        pipe.send((*answers, missed))


def _read(folder: Path, content: bytes, good: Content) -> str:
    path = folder / "damaged.h5"
    path.write_bytes(content)
    try:
        found = Content.of(path)
        refused = LOST in found.tables  # an original that was asked for
        return "as it was" if found == good else "refused" if refused else "silently different"
    except SessionError as error:
        return "refused" if "\n" not in str(error) else "refused in more than one line"
    except Exception as error:  # what the study looks for
        return f"error: {type(error).__name__}"


def _rescued(folder: Path, good: Content) -> str:
    new = folder / "new.h5"
    new.unlink(missing_ok=True)
    try:
        said = rescue(folder / "damaged.h5", new)
        found = Content.of(new)
    except SessionError as error:
        return "nothing saved" if "\n" not in str(error) else "error: more than one line"
    except Exception as error:  # what the study looks for
        return f"error: {type(error).__name__}"
    if not set(found.numbers.values()) <= set(good.numbers.values()):
        return "false numbers"
    if found == good:
        return "all saved"
    named = any(line.startswith("Lost") or "could not be checked" in line for line in said)
    return (
        ("all sweeps saved" if len(found.numbers) == len(good.numbers) else "some saved") if named else "loss not named"
    )


def tried(folder: Path, whole: bytes, contents: Iterable[bytes]) -> Iterator[Answer]:
    """What reading and rescuing each gave; a process that hangs or dies is replaced."""
    context = multiprocessing.get_context("spawn")
    process: Any = None
    for content in contents:
        if process is None:
            pipe, other = context.Pipe()
            process = context.Process(target=work, args=(other, folder), daemon=True)
            process.start()
            other.close()
            pipe.send(whole)
            if not pipe.poll(PATIENCE) or pipe.recv() != (
                "as it was",
                "all saved",
                Counter(sweeps=0, cells=0, originals=0),
            ):
                raise RuntimeError("the whole session is not read and saved as it is")
        pipe.send(content)
        try:
            answer = pipe.recv() if pipe.poll(PATIENCE) else ("hang", "hang", Counter())
        except EOFError:
            process.join()
            how = "hang" if hasattr(signal, "SIGPROF") and process.exitcode == -signal.SIGPROF else "crash"
            answer = (how, how, Counter())
        if answer[0] in ("hang", "crash"):
            process.kill()
            process.join()
            process = None
        yield answer
    if process is not None:
        with suppress(OSError):
            pipe.send(None)
        process.join(10)


def findings(case: str, answers: Iterable[Answer], trials: int) -> list[Finding]:
    """Counts of what must not be, and shares of what was."""
    told = list(answers)
    read, saved = Counter([how for how, _, _ in told]), Counter([how for _, how, _ in told])
    missed: Counter[str] = sum((lost for _, _, lost in told), Counter())
    bad = {"errors": "error", "hangs": "hang", "crashes": "crash"}
    shown = {f"{what} while {verb}": sum(n for said, n in counts.items() if said.startswith(word))
             for verb, counts in (("read", read), ("rescued", saved)) for what, word in bad.items()}  # fmt: skip
    zero = {
        "read silently different": read["silently different"],
        "refused in more than one line": read["refused in more than one line"],
        **shown,
        "rescued with false numbers": saved["false numbers"],
        "rescued with a loss that is not named": saved["loss not named"],
        **{f"{what} that are whole and not rescued": missed[what] for what in ("sweeps", "cells", "originals")},
    }
    share = {
        "refused [%]": read["refused"],
        "rescued whole [%]": saved["all saved"],
        "rescued with all sweeps, some cells lost [%]": saved["all sweeps saved"],
        "rescued with some of the sweeps [%]": saved["some saved"],
        "nothing rescued [%]": saved["nothing saved"],
    }
    return [
        *(Finding(case, measure, value, 0, 0, trials) for measure, value in zero.items()),
        *(Finding(case, measure, 100 * value / trials, trials=trials) for measure, value in share.items()),
    ]
