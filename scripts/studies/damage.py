"""Damaged sessions: one bit flipped anywhere, or the end cut off; then read whole, and rescued.

Whatever happened, a session must be read as it was or be refused in one line, within seconds, and a rescue may give no number that
was not there, nor leave a loss unnamed. Each file is read and rescued in a process of its own kind, which is ended where it hangs.
"""

from __future__ import annotations

import multiprocessing
import tempfile
from collections import Counter
from collections.abc import Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import numpy as np

from sts.comparing.calibration import Calibration
from sts.importing import import_files
from sts.session import Session, SessionError, rescue
from studies import Finding

TITLE = "Damaged sessions"
LIMIT = 20.0  # [s] after which a process counts as hanging
LOST = "the original is lost"
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
        numbers = {
            name: part.axis.tobytes() + current.tobytes()
            for part in sets
            for name, current in zip(part.names, part.current, strict=True)
        }
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
    while (content := pipe.recv()) is not None:
        pipe.send((_read(folder, content, good), _rescued(folder, good)))


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


def tried(folder: Path, whole: bytes, contents: Iterable[bytes]) -> Iterator[tuple[str, str]]:
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
            if not pipe.poll(120) or pipe.recv() != ("as it was", "all saved"):
                raise RuntimeError("the whole session is not read and saved as it is")
        pipe.send(content)
        try:
            answer = pipe.recv() if pipe.poll(LIMIT) else ("hang", "hang")
        except EOFError:
            answer = ("crash", "crash")
        if answer[0] in ("hang", "crash"):
            process.kill()
            process.join()
            process = None
        yield answer
    if process is not None:
        with suppress(OSError):
            pipe.send(None)
        process.join(10)


def findings(case: str, answers: Iterable[tuple[str, str]], trials: int) -> list[Finding]:
    """Counts of what must not be, and shares of what was."""
    pairs = list(answers)
    read, saved = (Counter(answer[i] for answer in pairs) for i in (0, 1))
    bad = {"errors": "error", "hangs": "hang", "crashes": "crash"}
    shown = {f"{what} while {verb}": sum(n for said, n in counts.items() if said.startswith(word))
             for verb, counts in (("read", read), ("rescued", saved)) for what, word in bad.items()}  # fmt: skip
    zero = {
        "read silently different": read["silently different"],
        "refused in more than one line": read["refused in more than one line"],
        **shown,
        "rescued with false numbers": saved["false numbers"],
        "rescued with a loss that is not named": saved["loss not named"],
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
