"""What takes long to make, made once for all tests, also where two workers run them."""

from __future__ import annotations

import hashlib
import os
import pickle
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from filelock import FileLock

from sts.analysis import Measured, measured, run
from sts.plan import Plan
from sts.report import drawing
from sts.session import Session

BROWSER_MS = 120_000  # to wait for a browser, which starts and loads slowly where other work has the processors
QUIET = [  # a browser that does nothing but show pages
    "--no-sandbox",
    "--disable-gpu",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
]

_MEASURED: dict[str, Measured] = {}


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


def measured_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let commands that get the same sweeps, calibrations and plan as one before be given what that one measured.

    No decision matters to what is measured; that a second time gives the same is shown in `analysis/test_run.py`.
    """
    anew = measured.measure

    def measure(session: Session | str | Path, plan: Plan | None = None, **kwargs: Any) -> Measured:
        opened, progress = measured.opened_session(session), kwargs.pop("progress", None)
        given = (
            opened.path.name,
            opened.sets(),
            opened.calibrations(),
            opened.sources(),
            opened.days(),
            plan or Plan(),
            kwargs,
        )
        key = hashlib.sha256(pickle.dumps(given)).hexdigest()
        if key not in _MEASURED:
            _MEASURED[key] = anew(opened, plan, progress=progress, **kwargs)
        return _MEASURED[key]

    for module in (measured, run):
        monkeypatch.setattr(module, "measure", measure)


def unprinted(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let figures of results be drawn, with the CSV behind them, but stand empty on page and disk: printing them takes longer
    than all else about a report, and is looked at in tests of `report` and `figures`."""
    empty = b'<svg xmlns="http://www.w3.org/2000/svg" width="1pt" height="1pt" viewBox="0 0 1 1"/>'
    monkeypatch.setattr(drawing, "save", lambda figure, suffix: empty)
