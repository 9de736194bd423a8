"""Damaged files: thousands of seeded mutations of good ones go through the loader.

Asked of each: no error but `UnreadableFile`, in one line; under two seconds; and where the file is still read, the same
kind of sweep, and no number off by a power of ten unless the very cell, unit or header that says so was hit.
"""

from __future__ import annotations

import io
import time
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from sts.loaders import UnreadableFile
from sts.loaders.reading import read_bytes
from studies import Finding

TITLE = "Damaged files through the loader"
POINTS = 24


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
    npz, npy = io.BytesIO(), io.BytesIO()
    np.savez_compressed(npz, bias_V=v, current_A=np.stack([i, i]) * 1e-9)
    np.savez(npy, bias_V=v, current_A=i * 1e-9)
    top, deep = float(i.max()) * 1e-9, 5.5e-9
    return [
        Good("comma.csv", comma.encode(), "iv", 1.2, top),
        Good("german.csv", german.encode("cp1252"), "iv", 1.2, top),
        Good("tabs.txt", tabs.encode("utf-16"), "iz", 0.6e-9, deep),
        Good("spaces.txt", spaces.encode("cp1252"), "iv", 1.2, top),
        Good("table.csv", table.encode(), "iz", 0.6e-9, 5e-9),
        Good("packed.npz", npz.getvalue(), "iv", 1.2, top),
        Good("plain.npz", npy.getvalue(), "iv", 1.2, top),
    ]


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
    began = time.perf_counter()
    label = f"{good.name}: {content[:60]!r}"
    try:
        loaded = read_bytes(content, good.name)
    except UnreadableFile as refusal:
        tally.refused += 1
        if "\n" in str(refusal) or len(str(refusal)) > 900:
            tally.long_lines.append(label)
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
    if time.perf_counter() - began > 2:
        tally.slow.append(label)


def tally(count: int, seed: int) -> Tally:
    """Put `count` mutations through the loader."""
    rng = np.random.default_rng(seed)
    files = good_files()
    result = Tally()
    for number in range(count):
        good = files[number % len(files)]
        check(good, mutate(good.content, rng), result)
    return result


def run(quick: bool = True, seed: int = 1) -> list[Finding]:
    """The figures of the study: 20,000 mutations, or 1,400 in a quick run."""
    found = tally(1400 if quick else 20_000, seed)
    case = "mutations of seven good files"
    counts = {
        "errors other than a refusal": len(found.tracebacks),
        "files over 2 s": len(found.slow),
        "refusals of more than one line": len(found.long_lines),
        "files read as the other kind": len(found.kind_changed),
    }
    return [
        *(Finding(case, measure, value, high=0, trials=found.files) for measure, value in counts.items()),
        Finding(case, "files read [%]", 100 * found.read / found.files, trials=found.files),
        Finding(case, "files at another scale, by their own units [%]", 100 * len(found.scale_changed) / found.files,
                high=1.0, trials=found.files),
    ]  # fmt: skip
