"""Damaged files: thousands of seeded mutations of good ones go through the loader.

Asked of each: no error but `UnreadableFile`, in one line; within a second of the processor and 500 MB; and where the file is
still read, the same kind of sweep, and no number off by a power of ten unless the very cell, unit or header that says so was
hit. Batches go through a process of their own, which the system ends where a file takes longer, and which gets no more memory.
What an import reads in yet another process (`sts.loaders.guarded`) may end that one, which is counted; here after 5 s, not 30.
"""

from __future__ import annotations

import io
import os
import signal
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from sts.loaders import UnreadableFile, guarded
from sts.loaders.reading import read_bytes
from studies import Finding

TITLE = "Damaged files through the loader"
POINTS = 24
LIMIT = 1.0  # [s] of the processor for one file
ROOM = 500_000_000  # [bytes] of memory beside what the libraries take
BATCH = 2000  # files in one process


@dataclass(frozen=True)
class Good:
    """A file that reads, and what must hold of whatever is read from its mutations."""

    name: str
    content: bytes
    kind: str
    axis_span: float  # of the largest axis value, SI
    current_size: float  # largest |current|, A


@dataclass
class Tally:
    """What happened."""

    files: int = 0
    read: int = 0
    refused: int = 0
    ended: list[str] = field(default_factory=list)  # the process that read it was ended, or ended itself
    guarded: list[str] = field(default_factory=list)  # refused since the process that reads such files was ended
    no_memory: list[str] = field(default_factory=list)
    tracebacks: list[str] = field(default_factory=list)
    slow: list[str] = field(default_factory=list)
    long_lines: list[str] = field(default_factory=list)
    kind_changed: list[str] = field(default_factory=list)
    scale_changed: list[str] = field(default_factory=list)


def good_files() -> list[Good]:
    """Invented sweeps in the dialects that benches write."""
    v = np.linspace(-1.2, 1.2, POINTS)
    i = 1e-10 * np.sinh(2 * v) * 1e9  # nA
    z = np.linspace(0, 0.6, POINTS)  # nm
    iz = 5 * np.exp(-z / 0.05)  # nA
    head = "# tip: heron\n# site: 2\n# temperature: 77 K\n# set-point current: 100 pA\n"
    comma = head + "V (V),I (nA)\n" + "".join(f"{a:.4f},{b:.5e}\n" for a, b in zip(v, i, strict=True))
    german = "Tip;heron\nV [mV];I [nA];\n" + "".join(
        f"{a * 1e3:.1f};{b:.6f};\n".replace(".", ",") for a, b in zip(v, i, strict=True)
    )
    tabs = "z (nm)\tI retract (nA)\tI approach (nA)\n" + "".join(
        f"{a:.4f}\t{b:.5e}\t{1.1 * b:.5e}\n" for a, b in zip(z, iz, strict=True)
    )
    spaces = "% V        I\n% mV       µA\n" + "".join(
        f"{a * 1e3:9.2f} {b * 1e-3:12.4e}\n" for a, b in zip(v, i, strict=True)
    )
    table = "sweep,tip,z_nm,I_pA\n" + "".join(
        f"{s},plover,{a:.4f},{b * 1e3:.4f}\n" for s in (1, 2) for a, b in zip(z, iz, strict=True)
    )
    npz, plain, npy = io.BytesIO(), io.BytesIO(), io.BytesIO()
    np.savez_compressed(npz, bias_V=v, current_A=np.stack([i, i]) * 1e-9)
    np.savez(plain, bias_V=v, current_A=i * 1e-9)
    fields = np.zeros(POINTS, [("bias_V", float), ("current_A", float)])
    fields["bias_V"], fields["current_A"] = v, i * 1e-9
    np.save(npy, fields)
    top, deep = float(i.max()) * 1e-9, 5.5e-9
    return [
        Good("comma.csv", comma.encode(), "iv", 1.2, top),
        Good("german.csv", german.encode("cp1252"), "iv", 1.2, top),
        Good("tabs.txt", tabs.encode("utf-16"), "iz", 0.6e-9, deep),
        Good("spaces.txt", spaces.encode("cp1252"), "iv", 1.2, top),
        Good("table.csv", table.encode(), "iz", 0.6e-9, 5e-9),
        Good("packed.npz", npz.getvalue(), "iv", 1.2, top),
        Good("plain.npz", plain.getvalue(), "iv", 1.2, top),
        Good("fields.npy", npy.getvalue(), "iv", 1.2, top),
        Good("matrices.mat", _matlab(v, i), "iv", 1.2, top),
        Good("packed.mat", _matlab(v, i, packed=True), "iv", 1.2, top),
        Good("old.h5", _hdf5(v, i, "earliest"), "iv", 1.2, top),
        Good("new.h5", _hdf5(v, i, "v108"), "iv", 1.2, top),
        Good("book.xlsx", _workbook(v, i), "iv", 1.2, top),
        Good("loose.xlsx", _workbook(v, i, packed=False), "iv", 1.2, top),
    ]


def _matlab(v: np.ndarray, i: np.ndarray, *, packed: bool = False) -> bytes:
    import scipy.io

    stream: Any = io.BytesIO()
    scipy.io.savemat(stream, {"run": {"bias_V": v, "current_A": i * 1e-9}, "tip": "heron"}, do_compression=packed)
    return bytes(stream.getvalue())


def _hdf5(v: np.ndarray, i: np.ndarray, version: str) -> bytes:
    import h5py

    stream = io.BytesIO()
    with h5py.File(stream, "w", libver=(version, "latest" if version == "earliest" else version)) as file:
        group = file.create_group("run")
        group.attrs["tip"] = "heron"
        group.create_dataset("bias", data=v).attrs["units"] = "V"
        packed = {"chunks": (2, POINTS), "compression": "gzip"} if version == "v108" else {}
        group.create_dataset("current", data=np.stack([i, i]) * 1e-9, **packed).attrs["units"] = "A"
    return stream.getvalue()


def _workbook(v: np.ndarray, i: np.ndarray, *, packed: bool = True) -> bytes:
    import zipfile

    import openpyxl

    book, stream = openpyxl.Workbook(), io.BytesIO()
    sheet = book.active
    sheet.append(["V (V)", "I (nA)"])
    for row in zip(v.tolist(), i.tolist(), strict=True):
        sheet.append(row)
    book.save(stream)
    if packed:
        return stream.getvalue()
    loose = io.BytesIO()  # so that mutations reach what the sheets say, not only their packing
    with zipfile.ZipFile(stream) as old, zipfile.ZipFile(loose, "w", zipfile.ZIP_STORED) as new:
        for member in old.namelist():
            new.writestr(member, old.read(member))
    return loose.getvalue()


def mutate(content: bytes, rng: np.random.Generator) -> bytes:
    """One to three of: bits flipped, bytes inserted, removed or repeated, a cut, pieces swapped, odd characters."""
    data = bytearray(content)
    for _ in range(int(rng.integers(1, 4))):
        if not data:
            break
        at = int(rng.integers(len(data)))
        length = int(rng.integers(1, 30))
        change: list[Callable[[], None]] = [
            lambda at=at: data.__setitem__(at, data[at] ^ (1 << int(rng.integers(8)))),  # type: ignore[misc]
            lambda at=at: data.insert(at, int(rng.integers(256))),  # type: ignore[misc]
            lambda at=at, n=length: data.__delitem__(slice(at, at + n)),  # type: ignore[misc]
            lambda at=at: data.__delitem__(slice(at, None)),  # type: ignore[misc]
            lambda at=at, n=length: data.__setitem__(slice(at, at), data[at : at + n]),  # type: ignore[misc]
            lambda at=at: data.__setitem__(
                slice(at, at), rng.choice(list(b',;.\t \n"#%-+eEDnaA0'), 2).astype("u1").tobytes()
            ),  # type: ignore[misc]
            lambda at=at, n=length: data.__setitem__(slice(at, at + n), bytes(reversed(data[at : at + n]))),  # type: ignore[misc]
        ]
        change[int(rng.integers(len(change)))]()
    return bytes(data)


def check(good: Good, content: bytes, tally: Tally) -> None:
    """Read a mutation and note what went wrong."""
    tally.files += 1
    began = time.process_time()
    label = f"{good.name}: {content[:60]!r}"
    try:
        loaded = read_bytes(content, good.name)
    except UnreadableFile as refusal:
        tally.refused += 1
        if "in the library for such files" in str(refusal):
            tally.guarded.append(str(refusal))
        if "\n" in str(refusal) or len(str(refusal)) > 900:
            tally.long_lines.append(label)
    except MemoryError:
        tally.no_memory.append(f"{good.name}: {content!r}")
    except Exception as error:  # what the study looks for
        tally.tracebacks.append(f"{type(error).__name__}: {error} in {good.name}: {content!r}")
    else:
        tally.read += 1
        for sweeps in loaded.sets:
            if sweeps.kind != good.kind:
                tally.kind_changed.append(label)
            # One hit cell may hold any number; a changed unit or decimal mark shifts all of them.
            axis = float(np.median(np.abs(sweeps.axis)))
            size = float(np.nanmedian(np.abs(sweeps.current))) if sweeps.has_current else 0.0
            if sweeps.axis.size > POINTS // 2 and (axis > 3 * good.axis_span or size > 3 * good.current_size):
                tally.scale_changed.append(f"{good.name}: {content!r}")
    if time.process_time() - began > LIMIT:
        tally.slow.append(label)


def tally(count: int, seed: int) -> Tally:
    """Put `count` mutations through the loader, each the same whatever happened to those before it."""
    files, result, first = good_files(), Tally(), 0
    for good in files:
        read_bytes(good.content, good.name)  # whole, they are read; and what is imported on the way is there
    usual, guarded.GUARD.seconds = guarded.GUARD.seconds, 5 * LIMIT
    while first < count:
        last = min(first + BATCH, count)
        first = _limited(files, range(first, last), seed, result) if sys.platform == "linux" else last
        if sys.platform != "linux":
            _some(files, range(last - BATCH, last), seed, result)
    guarded.GUARD.seconds = usual
    return result


def _some(files: list[Good], numbers: range, seed: int, result: Tally, done: Callable[[int], object] = int) -> None:
    for number in numbers:
        good = files[number % len(files)]
        done(number)
        check(good, mutate(good.content, np.random.default_rng([seed, number])), result)


def _limited(files: list[Good], numbers: range, seed: int, result: Tally) -> int:
    """As `_some`, in a process with limits; the number to go on with."""
    import pickle
    import resource

    at, into = os.pipe()
    child = os.fork()
    if child == 0:  # no handler: the system itself ends a process that takes too long
        used = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
        resource.setrlimit(resource.RLIMIT_AS, (used + ROOM, used + ROOM))
        with os.fdopen(into, "wb") as pipe:
            found = Tally()

            def done(number: int) -> None:
                signal.setitimer(signal.ITIMER_PROF, 2 * LIMIT)  # over it is noted, over twice it is ended
                pipe.write(pickle.dumps((number, found)) if number % 20 == 0 else pickle.dumps((number, None)))
                pipe.flush()

            _some(files, numbers, seed, found, done)
            pipe.write(pickle.dumps((numbers.stop, found)))
        os._exit(0)
    os.close(into)
    last, kept, kept_to = numbers.start, Tally(), numbers.start
    with os.fdopen(at, "rb") as told:
        while True:
            try:
                last, found = pickle.load(told)
            except EOFError:
                break
            if found is not None:
                kept, kept_to = found, last
    status = os.waitpid(child, 0)[1]
    if last < numbers.stop:  # it was ended while it read this one; those since the last account are done again
        good = files[last % len(files)]
        result.ended.append(f"{good.name}: status {status}, number {last} of seed {seed}")
        _add(result, kept)
        if kept_to < last:
            _limited(files, range(kept_to, last), seed, result)
        result.files += 1
        return last + 1
    _add(result, kept)
    return numbers.stop


def _add(result: Tally, found: Tally) -> None:
    for name, value in vars(found).items():
        setattr(result, name, getattr(result, name) + value)


def run(quick: bool = True, seed: int = 1) -> list[Finding]:
    """The figures of the study: 100,000 mutations, or 1,400 in a quick run."""
    found = tally(1400 if quick else 100_000, seed)
    case = "mutations of fourteen good files"
    counts = {
        "errors other than a refusal": len(found.tracebacks),
        "processes of an import that ended": len(found.ended),
        "files that need over 500 MB": len(found.no_memory),
        "files over 1 s": len(found.slow),
        "refusals of more than one line": len(found.long_lines),
        "files read as the other kind": len(found.kind_changed),
    }
    return [
        *(Finding(case, measure, value, high=0, trials=found.files) for measure, value in counts.items()),
        Finding(case, "files that ended the process beside it, and were refused", len(found.guarded), trials=found.files),
        Finding(case, "files read [%]", 100 * found.read / found.files, trials=found.files),
        Finding(case, "files at another scale, by their own units [%]", 100 * len(found.scale_changed) / found.files,
                high=1.0, trials=found.files),
    ]  # fmt: skip
