"""What others changed, told apart from what was decided here."""

from __future__ import annotations

from pathlib import Path

import pytest

from sts.review.state import State, changes_between
from sts.review.writing import Waiting
from sts.session import Session, SessionError


def test_own_decisions_are_no_news_and_those_of_others_are(small: Path) -> None:
    session = Session.open(small)
    before = State.of(session)
    assert before.again(session) is before
    session.mark(["heron_1"], "omit", "mine")
    session.mark(["heron_2", "heron_3", "heron_4", "heron_5"], "omit", "theirs")
    session.mark(["heron_2"], "undo")
    own = before.decided([Waiting(("heron_1",), "omit", "mine")])
    assert changes_between(own, own.again(session)) == [
        "omitted from outside: heron_2, heron_3, heron_4 and 1 more",
        "decision taken back from outside: heron_2",
    ]


def test_the_same_decision_taken_here_and_elsewhere_is_told_once(small: Path) -> None:
    session = Session.open(small)
    before = State.of(session)
    for _ in range(2):
        session.mark(["heron_1"], "omit", "knock")
    own = before.decided([Waiting(("heron_1",), "omit", "knock")])
    assert changes_between(own, own.again(session)) == ["omitted from outside: heron_1"]


def test_a_session_that_is_gone_is_said(small: Path) -> None:
    session = Session.open(small)
    before = State.of(session)
    small.rename(small.with_name("elsewhere.h5"))
    with pytest.raises(SessionError, match="is not there any more"):
        before.again(session)
