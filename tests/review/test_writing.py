"""Decisions on their way: in order, once, and none lost."""

from __future__ import annotations

from pathlib import Path

import pytest

from sts.review.writing import Waiting, Writing
from sts.session import NotWritten, Session, SessionError
from sts.session.change import changing
from sts.session.locking import SessionWarning


@pytest.fixture(autouse=True)
def _impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sts.review.writing.PATIENCE", 0.05)


def test_what_waits_is_written_first_and_what_can_never_be_is_said(small: Path) -> None:
    writing = Writing(small)
    with changing(small):
        for names, action in ((["heron_1"], "omit"), (["heron_2"], "omit"), (["heron_3"], "undo")):
            with pytest.raises(NotWritten):
                writing.decide(names, action, "touch" if action == "omit" else "")
    writing.decide(["heron_4"], "keep", "fine")
    assert Session.open(small).decisions()["sweep"].tolist() == ["heron_1", "heron_2", "heron_4"]
    assert [one.sweeps for one in writing.done] == [("heron_1",), ("heron_2",), ("heron_4",)]
    (said,) = writing.said
    assert "undo heron_3" in said
    assert "no decision on 'heron_3' to take back" in said


def test_what_a_folder_cannot_promise_is_said_once(small: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    fcntl = pytest.importorskip("fcntl")

    def refused(*_: object) -> None:
        raise OSError(37, "No locks available")

    monkeypatch.setattr(fcntl, "flock", refused)
    writing = Writing(small)
    for name in ("heron_1", "heron_2"):
        with pytest.warns(SessionWarning):
            writing.decide([name], "omit", "touch")
    (said,) = writing.said
    assert "gives no lock (No locks available)" in said
    assert len(writing.done) == 2


def test_its_own_mistake_fails_aloud_and_nothing_waits(small: Path) -> None:
    writing = Writing(small)
    with pytest.raises(SessionError, match="needs a reason"):
        writing.decide(["heron_1"], "omit", "  ")
    assert writing.waiting == []
    assert writing.said == []


def test_looks_go_with_a_decision_or_alone_and_stay_where_they_cannot_be_written(small: Path) -> None:
    writing = Writing(small, looks={"heron_1": None})
    with changing(small):
        assert not writing.write_looks()
    assert list(writing.looks) == ["heron_1"]
    writing.decide(["heron_2"], "omit", "a  reason\nin two lines")
    assert writing.done == [Waiting(("heron_2",), "omit", "a reason in two lines")]
    assert not writing.looks
    assert Session.open(small).looked()["sweep"].tolist() == ["heron_1"]
    writing.looks["heron_3"] = None
    assert writing.write_looks()
    assert Session.open(small).looked()["sweep"].tolist() == ["heron_1", "heron_3"]
