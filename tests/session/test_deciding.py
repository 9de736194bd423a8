"""Decisions: a log, the last that is not taken back stands, what cannot be decided changes nothing."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from session.examples import file_of

from sts.session import Session, SessionError

NOON = datetime(2026, 3, 1, 12, tzinfo=UTC)


def test_decisions_are_a_log_and_the_last_not_taken_back_stands(session: Session) -> None:
    session.add([file_of(1)])
    session.mark(["f1_a", "f1_b"], "omit", "tip touched", now=NOON)
    session.mark(["f1_a"], "keep", "looked again")
    session.mark(["f1_b"], "undo")
    assert session.current_decisions() == {"f1_a": ("keep", "looked again")}
    session.mark(["f1_a"], "undo", "no, it did touch")
    assert session.current_decisions() == {"f1_a": ("omit", "tip touched")}
    assert list(session.decisions()["action"]) == ["omit", "omit", "keep", "undo", "undo"]
    assert session.decisions()["time"].iloc[0] == "2026-03-01T12:00:00+00:00"


@pytest.mark.parametrize(
    ("sweeps", "action", "why", "said"),
    [
        (["f1_a"], "drop", "x", "'drop' is not a decision; use keep, omit, undo"),
        (["f1_a"], "omit", "  ", "needs a reason"),
        (["f1_a", "f1_z"], "omit", "x", "no such sweep 'f1_z'; near to it: f1_"),
        (["f1_b"], "undo", "", "no decision on 'f1_b'"),
        ([], "omit", "x", "at least one sweep"),
    ],
)
def test_a_decision_that_cannot_be_taken_changes_nothing(
    session: Session, sweeps: list[str], action: str, why: str, said: str
) -> None:
    session.add([file_of(1)])
    before = session.path.read_bytes()
    with pytest.raises(SessionError, match=said):
        session.mark(sweeps, action, why)
    assert session.path.read_bytes() == before
