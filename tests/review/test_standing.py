"""Where a session stands, brought up to date with its file."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import sts
from sts.plan import Plan
from sts.review.standing import Standing
from sts.session import Session, SessionError


def test_without_any_decision_the_rule_is_the_answer_and_later_stays(small: Path) -> None:
    session = Session.open(small)
    now = Standing(session, Plan())
    assert now.rule is now.analysis
    session.mark(["heron_1"], "omit", "knock")
    assert now.refresh() == ["omitted from outside: heron_1"]
    assert now.rule is not now.analysis
    assert now.rule.judged["used"].all()
    assert now.refresh() == []


def test_files_imported_beside_are_measured_and_listed(small: Path, tmp_path: Path) -> None:
    now = Standing(Session.open(small), Plan())
    now.look("heron_1")
    made = sts.simulate_iz(barrier_eV=5.0, sweeps=3, bench=sts.simulate.Bench(white_A=1e-12), seed=4).sweeps
    np.savez(tmp_path / "stork.npz", height_m=made.axis, current_A=made.current)
    sts.import_files([tmp_path / "stork.npz"], small, values={"tip": "stork", "sample": "gold"})
    (said,) = now.refresh()
    assert said == "1 file was imported from outside: measured again"
    assert {"stork_1", "heron_1"} <= set(now.worklist["sweep"])
    assert now.worklist.set_index("sweep").loc["heron_1", "looked"]
    assert now.analysis.barrier is not None
    assert set(now.analysis.barrier.tips["tip"]) == {"heron", "stork"}


def test_another_plan_keeps_what_was_looked_at_and_decided(small: Path) -> None:
    session = Session.open(small)
    session.mark(["heron_2"], "omit", "knock")
    now = Standing(session, Plan())
    assert now.look("heron_1")
    assert not now.look("heron_1")
    now.use(Plan.model_validate({"barrier": {"fit_from_nm": 0.02}}))
    listed = now.worklist.set_index("sweep")
    assert listed["looked"].sum() == 1
    assert listed.loc["heron_2", "decided_by"] == "person"


def test_a_sweep_that_is_not_there_is_named(small: Path) -> None:
    now = Standing(Session.open(small), Plan())
    with pytest.raises(SessionError, match=r"there is no sweep 'nobody' in small\.h5"):
        now.look("nobody")
