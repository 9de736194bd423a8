"""Invented files for the tests of the session."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import h5py
import numpy as np

from sts.loaders import LoadedFile
from sts.sweeps import SweepSet, sweep_table


def sweep_set(
    names: list[str],
    *,
    kind: str = "iv",
    points: int = 16,
    seed: int = 0,
    lockin_unit: str | None = None,
    **columns: Any,
) -> SweepSet:
    """Sweeps of seeded numbers; lock-in only where `lockin_unit` is given."""
    numbers = np.random.default_rng(seed).normal(scale=1e-10, size=(len(names), points))
    only_lockin = lockin_unit is not None
    return SweepSet(
        kind=kind,
        axis=np.linspace(-1, 1, points) if kind == "iv" else np.linspace(0, 1e-9, points),
        current=np.full_like(numbers, np.nan) if only_lockin else numbers,
        table=sweep_table(names, **columns),
        lockin=numbers if only_lockin else None,
        lockin_unit=lockin_unit or "",
    )


@contextmanager
def before_seals(path: Path) -> Iterator[h5py.File]:
    """A session as versions without checksums of names and attributes wrote it, to be changed by hand."""
    with h5py.File(path, "r+") as file:
        del file["entry/seals"]
        file.attrs["sts_format"] = 1
        yield file


def file_of(number: int, *sets: SweepSet, name: str = "", recipe: str = "", notes: tuple[str, ...] = ()) -> LoadedFile:
    """A file that gave these sets (else two I(V) sweeps of its own)."""
    own = sweep_set([f"f{number}_a", f"f{number}_b"], seed=number, tip="heron", site=f"s{number}", sample="gold")
    content = f"file {number}\n".encode() * (number + 1)
    return LoadedFile(name or f"file{number}.csv", content, "text", recipe, sets or (own,), notes)
