"""The server of the review page killed while decisions are taken on the page, in a real browser.

A person presses a key, and the server is killed at a random moment of the writing. What the page had shown as kept must be in
the session; of what it had not shown, no more than the decision on its way; and the session opens, with every number as
it was, and can be changed at once. Needs Chromium (a system package) and playwright.
"""

from __future__ import annotations

import hashlib
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from threading import Thread
from typing import Any

import numpy as np

import sts
from sts.session import Session, SessionError
from studies import Finding

TITLE = "Kills of the review page's server"
CHROMIUM = os.environ.get("STS_CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")
CASE = "server killed while a decision is taken on the page"
PATIENCE = 2.0  # [s] within which a session that nobody holds is changed
KEYS = (("k", "keep"), ("u", "undo"))  # pressed in turn
# What is told at the top of the page is noted as soon as it has come to the browser.
NOTE = """() => {
  window.shown = [];
  const state = Bokeh.documents[0].get_model_by_name("state");
  state.properties.text.change.connect(() => {
    const said = state.text.match(/Kept in the session: (\\w+) ([^<]+)\\./);
    if (said) { shown.push([said[1], said[2]]); }
  });
}"""
SWEEP = """() => {
  const all = (root = document) => [...root.querySelectorAll("*")].flatMap(
    one => one.shadowRoot ? [one, ...all(one.shadowRoot)] : [one]);
  return all().find(one => one.matches(".sweep-name"))?.textContent;
}"""


def run(quick: bool, seed: int) -> list[Finding]:
    """50 kills (6 if quick) of the server of one session."""
    kills = 6 if quick else 50
    with tempfile.TemporaryDirectory() as folder, browser() as chromium:
        found = killed(chromium, small_session(Path(folder)), kills, seed)
    return [
        Finding(CASE, "decisions shown as kept that are lost", found.lost, 0, 0, kills),
        Finding(CASE, "decisions in the session that nobody took", found.foreign, 0, 0, kills),
        Finding(CASE, "sessions that are damaged or stay locked", found.broken, 0, 0, kills),
        Finding(CASE, "decisions shown as kept", found.shown, kills, trials=kills),
        Finding(CASE, "share of kills before the decision took effect [%]", 100 * found.before / kills, trials=kills),
    ]


@contextmanager
def browser() -> Iterator[Any]:
    """Chromium.

    Raises
    ------
    RuntimeError
        If there is none.
    """
    if CHROMIUM is None:
        raise RuntimeError("This study needs Chromium (a system package); or set STS_CHROMIUM to its path.")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"])
        yield running
        running.close()


def small_session(folder: Path) -> Path:
    """A session of six I(z) sweeps; invented."""
    path = folder / "under review µ.h5"  # a space and a letter beyond ASCII on purpose
    made = sts.simulate_iz(barrier_eV=4.0, sweeps=6, bench=sts.simulate.Bench(white_A=1e-12), seed=1)
    np.savez(folder / "heron.npz", height_m=made.sweeps.axis, current_A=made.sweeps.current)
    sts.import_files([folder / "heron.npz"], path, values={"tip": "heron", "sample": "gold"})
    return path


@dataclass
class Counts:
    """What was found in so many kills."""

    shown: int = 0  # decisions that the page showed as kept
    lost: int = 0  # of these, not in the session afterwards
    foreign: int = 0  # in the session afterwards, but not taken
    broken: int = 0  # sessions that did not open, held other numbers, or could not be changed at once
    before: int = 0  # kills before the decision on its way was in the session


def killed(chromium: Any, session: Path, kills: int, seed: int) -> Counts:
    """Kill the server of one session again and again, each at a random moment of a decision.

    Returns
    -------
    Counts
    """
    moments, found = random.Random(seed), Counts()
    numbers = _numbers(session)
    for _ in range(kills):
        before = _decisions(session)
        took, shown = _one_kill(chromium, session, moments)
        found.shown += len(shown)
        try:
            after = _decisions(session)
            intact = after[: len(before)] == before and _numbers(session) == numbers
            began = time.monotonic()
            Session.open(session).mark(["heron_1"], "keep", "the next one")
            found.broken += not intact or time.monotonic() - began > PATIENCE or _left_over(session)
        except SessionError as error:
            print(error, file=sys.stderr)
            found.broken += 1
            continue
        new = after[len(before) :]
        found.lost += sum(mine != theirs for mine, theirs in zip(shown, [*new, *[None] * len(shown)], strict=False))
        found.foreign += new != took[: len(new)]
        found.before += len(new) < len(took)
    return found


def _decisions(session: Path) -> list[tuple[str, str]]:
    log = Session.open(session).decisions()
    return list(zip(log["action"], log["sweep"], strict=True))


def _numbers(session: Path) -> str:
    return hashlib.sha256(b"".join(part.current.tobytes() for part in Session.open(session).sets())).hexdigest()


def _left_over(session: Path) -> bool:
    """Whether a copy of the killed server is there after the next change."""
    return any(path.name.endswith(".part") for path in session.parent.iterdir())


def _one_kill(
    chromium: Any, session: Path, moments: random.Random
) -> tuple[Sequence[tuple[str, str]], Sequence[tuple[str, str]]]:
    """Decide by the keys of the page until the server is killed; return what was decided, and what was shown as kept."""
    with _served(session) as (process, address):
        page = chromium.new_page(viewport={"width": 1280, "height": 800})
        page.set_default_timeout(60_000)
        page.goto(address)
        page.wait_for_function(SWEEP)
        page.evaluate(NOTE)
        sweep, took = page.evaluate(SWEEP), []
        for number in range(moments.randint(1, 3)):  # before that which is killed
            began = time.monotonic()
            key, action = KEYS[number % 2]
            page.keyboard.press(key)
            page.wait_for_function("n => shown.length > n", arg=number)
            span = time.monotonic() - began
            took.append((action, sweep))
        key, action = KEYS[len(took) % 2]
        killing = Thread(target=_kill_after, args=(process, moments.uniform(0, 1.2 * span)))
        killing.start()
        page.keyboard.press(key)
        killing.join()
        process.wait()
        page.wait_for_timeout(50)  # what is on its way to the page arrives
        shown = [tuple(pair) for pair in page.evaluate("shown")]
        page.close()
    return [*took, (action, sweep)], shown


def _kill_after(process: subprocess.Popen[str], seconds: float) -> None:
    time.sleep(seconds)
    process.kill()


@contextmanager
def _served(session: Path) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """A server of a session in a process of its own, and its address."""
    environment = os.environ | {"PYTHONPATH": str(Path(sts.__file__).parents[1])}
    command = [sys.executable, "-m", "sts", "review", str(session), "--no-browser", "--port", "0"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=environment) as process:
        assert process.stdout is not None
        try:
            yield process, process.stdout.readline().strip()
        finally:
            process.kill()


if __name__ == "__main__":
    for finding in run(quick="--quick" in sys.argv, seed=1):
        print(f"{'ok ' if finding.kept else 'NOT'} {finding.measure}: {finding.value:g} (in {finding.trials} kills)")
