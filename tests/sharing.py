"""What takes long to make, made once for all tests, also where two workers run them."""

from __future__ import annotations

import os
import pickle
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from filelock import FileLock


def shared(factory: pytest.TempPathFactory, name: str, make: Callable[[Path], Any]) -> Any:
    """What `make` makes of a folder of its own, or a copy of what another worker made; files are for reading only."""
    root = factory.getbasetemp()
    if "PYTEST_XDIST_WORKER" in os.environ:
        root = root.parent  # of this run, and of all its workers
    kept, folder = root / f"{name}.pickle", root / name
    with FileLock(f"{kept}.lock"):
        if not kept.exists():
            folder.mkdir()
            made = make(folder)
            kept.write_bytes(pickle.dumps(made))
            return made
    return pickle.loads(kept.read_bytes())
