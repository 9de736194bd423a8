"""Decisions: a log, the last that is not taken back stands, what cannot be decided changes nothing."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest
from session.examples import before_seals, file_of

from sts.session import NotWritten, Session, SessionError, merge, rescue
from sts.session.change import changing
from sts.session.deciding import decide, note_looked

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


def test_what_was_looked_at_is_kept_once_with_the_first_time(session: Session) -> None:
    session.add([file_of(1)])
    note_looked(session.path, ["f1_a"], now=NOON)
    decide(session.path, "omit", {"touch": ["f1_b"]}, looked=["f1_a", "f1_b"])
    looked = session.looked()
    assert looked["sweep"].tolist() == ["f1_a", "f1_b"]
    assert looked["time"].iloc[0] == "2026-03-01T12:00:00+00:00"
    before = session.path.read_bytes()
    note_looked(session.path, ["f1_b"])
    assert session.path.read_bytes() == before


def test_a_session_from_before_there_were_looks_opens_and_takes_them(session: Session) -> None:
    session.add([file_of(1)])
    with changing(session.path) as change:
        del change.file()["entry"]["looked"]
    assert session.looked().empty
    note_looked(session.path, ["f1_a"])
    assert session.looked()["sweep"].tolist() == ["f1_a"]


def test_what_was_looked_at_follows_its_sweeps_when_merged_and_rescued(session: Session, tmp_path: Path) -> None:
    session.add([file_of(1)])
    other = Session.create(tmp_path / "other.h5")
    other.add([file_of(1), file_of(2)])
    note_looked(session.path, ["f1_a"])
    note_looked(other.path, ["f1_a", "f2_a"])
    merge(session.path, other.path)
    assert session.looked()["sweep"].tolist() == ["f1_a", "f2_a"]
    said = rescue(session.path, tmp_path / "new.h5")
    assert "Saved: 2 notes of what was looked at." in said
    assert Session.open(tmp_path / "new.h5").looked()["sweep"].tolist() == ["f1_a", "f2_a"]


def test_a_decision_on_a_locked_session_says_that_it_may_be_tried_again(session: Session) -> None:
    session.add([file_of(1)])
    with changing(session.path), pytest.raises(NotWritten, match="Nothing was changed; wait for it to end"):
        decide(session.path, "omit", {"touch": ["f1_a"]}, timeout=0.1)
    decide(session.path, "omit", {"touch": ["f1_a"]}, timeout=0.1)
    assert session.current_decisions() == {"f1_a": ("omit", "touch")}


def test_a_decision_says_who_took_it(session: Session, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("getpass.getuser", lambda: "anna")
    session.add([file_of(1)])
    session.mark(["f1_a"], "omit", "tip touched")
    session.mark(["f1_a"], "keep", "looked again", by="  B.  Jensen ")
    session.mark(["f1_b"], "omit", "tip touched", by="")
    assert session.decisions()["by"].tolist() == ["anna", "B. Jensen", ""]


def test_where_the_system_knows_no_account_nobody_is_named(session: Session, monkeypatch: pytest.MonkeyPatch) -> None:
    def unknown() -> str:
        raise OSError("no such account")

    monkeypatch.setattr("getpass.getuser", unknown)
    session.add([file_of(1)])
    session.mark(["f1_a"], "omit", "tip touched")
    assert session.decisions()["by"].tolist() == [""]


def test_decisions_from_before_names_were_kept_are_read_and_go_on(session: Session) -> None:
    session.add([file_of(1)])
    session.mark(["f1_a"], "omit", "tip touched", by="anna")
    with before_seals(session.path) as file:
        log = file["entry/decisions"]
        del log["by"]
        for about in ("columns", "datasets"):
            log.attrs[about] = [name for name in log.attrs[about] if name != "by"]
    assert session.decisions()["by"].tolist() == [""]
    session.mark(["f1_b"], "omit", "tip touched", by="ben")
    assert session.decisions()["by"].tolist() == ["", "ben"]
