"""A session that is looked at and decided about before it is measured."""

from __future__ import annotations

from concurrent.futures import Future
from pathlib import Path

import numpy as np
import pytest

import sts
from sts.plan import Plan
from sts.review import Desk
from sts.review.listed import MEASURING, Listed
from sts.review.standing import Standing
from sts.session import Session, SessionError


def test_it_lists_every_sweep_with_what_was_decided_and_looked_at(small: Path) -> None:
    session = Session.open(small)
    session.mark(["heron_2"], "omit", "knock")
    now = Listed(session, Plan())
    assert sorted(now.worklist["sweep"]) == sorted(session.sweeps()["sweep"])
    assert now.worklist.loc[~now.worklist["used"], ["sweep", "decided_by"]].values.tolist() == [["heron_2", "person"]]
    assert set(now.worklist["why"]) == {MEASURING}
    assert now.look("heron_1")
    assert not now.look("heron_1")
    assert now.worklist["looked"].sum() == 1
    with pytest.raises(SessionError, match="there is no sweep 'nobody'"):
        now.view("nobody")


def test_what_another_program_decides_or_imports_is_listed(small: Path, tmp_path: Path) -> None:
    session = Session.open(small)
    now = Listed(session, Plan())
    assert now.refresh() == []
    session.mark(["heron_2"], "omit", "knock")
    assert now.refresh() == ["omitted from outside: heron_2"]
    assert not now.worklist.set_index("sweep").loc["heron_2", "used"]
    made = sts.simulate_iz(barrier_eV=5.0, sweeps=3, bench=sts.simulate.Bench(white_A=1e-12), seed=4).sweeps
    np.savez(tmp_path / "stork.npz", height_m=made.axis, current_A=made.current)
    sts.import_files([tmp_path / "stork.npz"], small, values={"tip": "stork"})
    assert "imported from outside" in now.refresh()[0]
    assert len(now.worklist) == 13


def test_a_sweep_is_fitted_with_its_site_and_no_number_is_told_before_all_have_a_say(small: Path) -> None:
    now = Listed(Session.open(small), Plan())
    view, curve = now.view("heron_2"), now.curves(["heron_3"])[0]
    assert np.isfinite(view.fitted_A).any()
    assert np.isnan([view.barrier_eV, view.barrier_low_eV, view.barrier_high_eV]).all()
    assert view.places == ()
    assert "heron_3" in view.beside
    assert curve.current_A.size == view.current_A.size


def test_without_sweeps_it_says_what_to_do(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="no sweeps in this session"):
        Listed(Session.create(tmp_path / "empty.h5"), Plan())


def test_what_is_decided_and_looked_at_while_all_are_measured_is_kept_and_counts(small: Path) -> None:
    made: Future[Standing] = Future()
    desk = Desk(small, standing=made)
    standing = Standing(Session.open(small), Plan())  # as the other process sees it: before the decision
    desk.look("heron_1")
    desk.decide(["heron_2"], "omit", "knock")
    assert Session.open(small).current_decisions() == {"heron_2": ("omit", "knock")}
    for ask in (desk.answer, lambda: desk.change(**{"spectra.average": "median"})):
        with pytest.raises(SessionError, match="Measuring all sweeps"):
            ask()
    made.set_result(standing)
    desk.go_on()
    assert not desk.measuring
    assert desk.looked_at == (1, 10)
    assert desk.answer().tips[["before_sweeps", "sweeps"]].to_numpy().tolist() == [[6, 5]]
    fresh = Desk(small)
    assert desk.analysis.judged.equals(fresh.analysis.judged)
    assert desk.analysis.barrier is not None
    assert fresh.analysis.barrier is not None
    assert desk.analysis.barrier.tips.equals(fresh.analysis.barrier.tips)
    assert desk.news() == ()
