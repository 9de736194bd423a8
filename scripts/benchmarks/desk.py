"""A session under review: from a decision to the answer, written to disk between; a window that is dragged; the list.

- ``decide_218_ms``: median time of `Desk.decide` and `Desk.answer` on the demo's 218 sweeps, I(V) and I(z) in turn; the
  decision is on disk before it returns. ``decide_5000_ms``: the same on 5,000 height sweeps of ten tips.
- ``preview_ms``: one sweep fitted while its window is dragged.
- ``news_ms``: asking whether another program changed anything, where none did.
- ``list_50000_s``: the worklist of 50,000 sweeps, doubtful ones first, from what was measured.
- ``window_218_ms``: all measured again when the window is let go.
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

import sts
from benchmarks.decisions import DEMO, _many
from sts.review import Desk
from sts.review.worklist import order_of_work, worklist_of

TITLE = "Review: from a decision to the answer"
BOUNDS: dict[str, float] = {
    "decide_218_ms": 300.0, "decide_5000_ms": 1000.0, "preview_ms": 30.0, "news_ms": 1.0, "list_50000_s": 2.0,
}  # fmt: skip


def run(quick: bool = False) -> dict[str, float]:
    """Measure on the demo, and on 5,000 and 50,000 sweeps or a tenth of that."""
    with tempfile.TemporaryDirectory() as folder:
        demo, large = Path(folder) / "demo.h5", Path(folder) / "large.h5"
        sts.import_files([DEMO / "iz", DEMO / "iv"], demo, logbook=DEMO / "logbook.csv")
        _many(large, 500 if quick else 5000)
        desk = Desk(demo)
        found = {"decide_218_ms": 1e3 * _deciding(desk), "decide_5000_ms": 1e3 * _deciding(Desk(large))}
        sweep = str(desk.measured.fits[0].table["sweep"].iloc[0])
        ends = np.linspace(0.2, 0.4, 20)
        found["preview_ms"] = 1e3 * _median(lambda k: desk.preview_window(sweep, 0.02, ends[k]), 20)
        found["window_218_ms"] = 1e3 * _median(lambda k: desk.change(**{"barrier.fit_to_nm": ends[k]}), 5)
        found["news_ms"] = 1e3 * _median(lambda _: desk.news(), 20)
        found["list_50000_s"] = _listing(desk, 23 if quick else 230)
        return found


def _median(call: Callable[[int], Any], times: int) -> float:
    taken = []
    for number in range(times):
        start = time.perf_counter()
        call(number)
        taken.append(time.perf_counter() - start)
    return float(np.median(taken))


def _deciding(desk: Desk) -> float:
    """Median time of a decision with the answer [s], kinds in turn."""
    kinds = [desk.worklist.loc[desk.worklist["kind"] == kind, "sweep"].tolist() for kind in ("iv", "iz")]
    names = [names[(number * 7) % len(names)] for number in range(10) for names in kinds if names]

    def decide(number: int) -> None:
        desk.decide([names[number]], "omit", "tip touched")
        desk.answer()

    return _median(decide, len(names))


def _listing(desk: Desk, copies: int) -> float:
    """Time to list the demo's sweeps so many times over, each copy at sites of its own [s]."""

    def many(frame: pd.DataFrame, *columns: str) -> pd.DataFrame:
        return pd.concat(
            [frame.assign(**{c: frame[c] + f"#{i}" for c in columns}) for i in range(copies)], ignore_index=True
        )

    sets = [
        replace(part, current=np.tile(part.current, (copies, 1)), table=many(part.table, "sweep", "site"),
                lockin=None if part.lockin is None else np.tile(part.lockin, (copies, 1)))
        for part in desk.measured.sets
    ]  # fmt: skip
    fits = [
        replace(fit, fits=replace(fit.fits, decay=np.tile(fit.fits.decay, copies), decay_se=np.tile(fit.fits.decay_se, copies)))
        for fit in desk.measured.fits
    ]  # fmt: skip
    measured = replace(desk.measured, sets=tuple(sets), fits=tuple(fits))
    rule = replace(desk.rule, judged=many(desk.rule.judged, "sweep"), flags=many(desk.rule.flags, "sweep"))
    return _median(lambda _: worklist_of(order_of_work(measured, rule), rule, set()), 3)
