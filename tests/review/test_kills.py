"""Killed at random moments of a decision: nothing is lost that `decide` had returned for, or the page had shown as kept."""

from __future__ import annotations

import multiprocessing
import random
import shutil
import time
from multiprocessing.connection import Connection
from pathlib import Path

import pytest
from studies import review_kills

from sts.review import Desk
from sts.session import Session


def _decide(path: Path, told: Connection) -> None:
    """Decide about one sweep after the other, again and again, and tell of each decision when it is shown as kept."""
    desk = Desk(path)
    names = desk.worklist["sweep"].tolist()
    told.send("ready")
    number = 0
    while True:
        name = names[number % len(names)]
        desk.look(name)
        desk.decide([name], "omit", f"round {number}")
        told.send((name, f"round {number}"))
        number += 1


def killed(path: Path, seconds: float) -> list[tuple[str, str]]:
    """What one process had shown as kept when it was killed, so long after the first such decision."""
    ours, theirs = multiprocessing.Pipe(duplex=False)
    process = multiprocessing.Process(target=_decide, args=(path, theirs), daemon=True)
    process.start()
    theirs.close()
    assert ours.poll(60)
    assert ours.recv() == "ready"
    assert ours.poll(60)
    shown = [ours.recv()]
    time.sleep(seconds)
    process.kill()
    process.join()
    try:
        while ours.poll():
            shown.append(ours.recv())
    except EOFError:
        pass
    return shown


def lost_in(path: Path, kills: int, seed: int) -> tuple[int, int]:
    """How many decisions that were shown as kept are not in the session after `kills` kills, and how many were shown."""
    moments = random.Random(seed)
    lost = shown = 0
    for number in range(kills):
        own = path.with_name(f"{number}.h5")
        shutil.copy(path, own)
        kept = killed(own, moments.uniform(0.0, 0.8))
        log = Session.open(own).decisions()
        there = set(zip(log["sweep"], log["why"], strict=True))
        lost += len(set(kept) - there)
        assert len(there) <= len(kept) + 1  # the one whose writing was not told of any more
        shown += len(kept)
        Session.open(own).mark(
            [log["sweep"].iloc[0] if len(log) else "heron_1"], "keep", "the session is not left locked"
        )
        own.unlink()
    return lost, shown


def test_no_decision_that_was_shown_as_kept_is_lost_by_a_kill(small: Path) -> None:
    lost, shown = lost_in(small, 2, seed=5)
    assert (lost, shown >= 2) == (0, True)


def test_nothing_that_the_page_showed_as_kept_is_lost_when_its_server_is_killed(tmp_path: Path) -> None:
    """One of the 50 kills of the study of the same name, in a real browser."""
    pytest.importorskip("bokeh", reason="needs bokeh (the extra 'review')")
    pytest.importorskip("playwright.sync_api", reason="needs playwright")
    if review_kills.CHROMIUM is None:
        pytest.skip("needs the browser Chromium (a system package)")
    with review_kills.browser() as chromium:
        found = review_kills.killed(chromium, review_kills.small_session(tmp_path), 1, seed=3)
    assert (found.lost, found.foreign, found.broken) == (0, 0, 0)
    assert found.shown >= 1
