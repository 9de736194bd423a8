# pyright: strict, reportUnnecessaryTypeIgnoreComment=true, reportMissingTypeStubs=false
"""A user's program that checks types: read by mypy here, and by mypy and pyright against the installed wheel (``versions.py``).

Each line marked as ignored is a mistake that a checker must see: where it does not, the mark is in vain, which is an error too.
"""

from __future__ import annotations

from pathlib import Path

import pandas as pd

import sts
from sts.analysis import Analysis
from sts.session import ImportResult


def tips(folder: Path) -> pd.DataFrame:
    """Barriers by tip of a folder of sweeps."""
    session = folder / "session.h5"
    added: ImportResult = sts.import_files([folder], session, values={"tip": "heron"})
    print(added)
    results: Analysis = sts.analyse(session, sts.Plan(), only="iz")
    if results.barrier is None:
        raise SystemExit("no I(z) sweeps")
    return results.barrier.tips


def decays() -> pd.DataFrame:
    """Fits of simulated sweeps."""
    return sts.fit_barrier(sts.simulate_iz(barrier_eV=4.4, sweeps=3).sweeps).table


def mistakes() -> None:
    """What must be refused before it runs."""
    sts.analyse(3)  # type: ignore[arg-type]
    sts.fit_barrier("heron.txt")  # type: ignore[arg-type]
    sts.analyze("session.h5")  # type: ignore[attr-defined]
    sts.analyse("session.h5", only="it")  # type: ignore[arg-type]
