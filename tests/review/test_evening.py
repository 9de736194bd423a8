"""An evening of review in a real browser: the demo's planted faults found, decided, undone, decided again, and reported."""

from __future__ import annotations

import hashlib
import json
import shlex
import shutil
from pathlib import Path
from typing import Any

import h5py
from review.chromium import opened, served, started, wait

import sts
from sts.cli import main
from sts.report.summary import Summary
from sts.report.write import contents
from sts.selection import standing_decisions
from sts.session import Session

TRUTH = json.loads((Path(__file__).parents[2] / "data" / "demo" / "truth.json").read_text(encoding="utf-8"))
PLANTED = [name for names in TRUTH["faults"].values() for name in names]
THOUGHT_OVER = (PLANTED[0], PLANTED[len(PLANTED) // 2], PLANTED[-1])  # undone, and decided again


def raw(session: Path) -> dict[str, str]:
    """A hash of every numeric array that was imported."""
    found: dict[str, str] = {}

    def note(name: str, item: object) -> None:
        if isinstance(item, h5py.Dataset) and item.dtype.kind in "fiu" and name != "entry/seals":
            found[name] = hashlib.sha256(item[()].tobytes()).hexdigest()

    with h5py.File(session, "r") as file:
        file.visititems(note)
    return found


def wait_for(page: Any, said: str) -> None:
    wait(page, "said => told('.state') === said", arg=said)


def by_key(page: Any, key: str, said: str) -> None:
    page.keyboard.press(key)
    wait_for(page, said)


def test_an_evening(demo: Path, tmp_path: Path) -> None:
    (tmp_path / "fresh").mkdir()
    fresh = Path(shutil.copy(demo, tmp_path / "fresh" / demo.name))
    before = raw(demo)
    with served(demo) as address, started() as browser:
        page = opened(browser, address)
        wrong: list[str] = []
        page.on("pageerror", lambda error: wrong.append(str(error)))
        rows = page.evaluate("""Bokeh.documents[0].roots().flatMap(root => [...root.references()])
            .find(model => model.type === "DataTable").source.data.sweep.slice(0, 15)""")
        assert set(PLANTED) <= set(rows)
        expected = []
        for row, name in enumerate(rows):
            wait(page, "name => told('.sweep-name') === name", arg=name)
            if name in PLANTED:
                if name == PLANTED[-1]:
                    page.get_by_role("button", name="Omit").click()
                    wait_for(page, f"Kept in the session: omit {name}.")
                else:
                    by_key(page, "x", f"Kept in the session: omit {name}.")
                expected.append((name, "omit"))
                if name in THOUGHT_OVER:
                    by_key(page, "u", f"Kept in the session: undo {name}.")
                    by_key(page, "x", f"Kept in the session: omit {name}.")
                    expected += [(name, "undo"), (name, "omit")]
            if row < len(rows) - 1:
                page.keyboard.press("j")
        page.get_by_role("button", name="Decisions as commands").click()
        wait(page, "() => told('pre').includes('sts mark')")
        lines = page.evaluate("told('pre')").strip().splitlines()
        assert wrong == []
    log = Session.open(demo).decisions()
    assert list(zip(log["sweep"], log["action"], strict=True)) == expected
    assert raw(demo) == before
    assert set(rows) <= set(Session.open(demo).looked()["sweep"])
    for line in lines:
        words = shlex.split(line.replace(str(demo), str(fresh)))
        assert words[0] == "sts"
        assert main(words[1:]) == 0
    assert numbers(demo) == numbers(fresh)


def numbers(session: Path) -> Any:
    """What the report says, but for times and for decisions that were taken back: a second thought makes a longer log."""
    analysis = sts.analyse(session)
    log = analysis.decisions
    text = (
        contents(Summary(analysis), [])["results.json"]
        .decode()
        .replace(f"{len(log)} decisions, listed", "decisions, listed")
    )
    said = json.loads(text)
    said["decisions"] = standing_decisions(log)
    return said
