"""The whole analysis in one call."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Literal

from sts.analysis.measured import Progress, measure
from sts.analysis.results import Analysis
from sts.analysis.together import as_one
from sts.plan import Plan
from sts.session import Session


def analyse(
    session: Session | str | Path | Sequence[Session | str | Path],
    plan: Plan | None = None,
    *,
    only: Literal["iv", "iz", ""] = "",
    progress: Progress | None = None,
) -> Analysis:
    """Judge every sweep, average the spectra, fit the barriers, compare the tips.

    Parameters
    ----------
    session : Session or path, or a sequence of them
        Several are analysed as one: each under its own calibrations, its day part of its sites, a file of two sessions once.
    plan : Plan, optional
        Every setting; the defaults if not given.
    only : str
        ``"iv"`` or ``"iz"`` for one side of the work.
    progress : callable(done, total), optional

    Returns
    -------
    Analysis

    Raises
    ------
    ValueError
        If the session holds no sweeps of the kind asked for.
    SessionError
        If a session cannot be used.

    Examples
    --------
    Two invented tips, four sweeps each:

    >>> for tip, height_eV, seed in (("heron", 4.0, 1), ("stork", 5.0, 2)):
    ...     made = sts.simulate_iz(barrier_eV=height_eV, sweeps=4, bench=sts.simulate.Bench(white_A=1e-12), seed=seed)
    ...     np.savez(f"{tip}.npz", height_m=made.sweeps.axis, current_A=made.sweeps.current)
    ...     imported = sts.import_files([f"{tip}.npz"], "session.h5", values={"tip": tip})
    >>> results = sts.analyse("session.h5")
    >>> results.barrier.tips[["tip", "sweeps", "barrier_eV"]].round({"barrier_eV": 1}).values.tolist()
    [['heron', 4, 4.0], ['stork', 4, 5.0]]
    """
    with as_one(session) as whole:
        measured = replace(measure(whole.session, plan, only=only, progress=progress), session=whole.name)
        result = measured.summarise(whole.session.decisions())
    if progress is not None:
        progress(len(measured.sets) + 1, len(measured.sets) + 1)
    if whole.notes and result.barrier is not None:
        result = replace(result, barrier=replace(result.barrier, notes=(*whole.notes, *result.barrier.notes)))
    return result
