"""Commands about the session: list, mark, export, merge, rescue."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pytest
from cli.calling import DEMO, SWEEP, run, said

from sts.session import Session


def test_list_shows_tips_and_refuses_unknown_ones(demo, capsys):
    status, out, _ = run(capsys, "list", demo, "--tip", "sandpiper")
    assert status == 0
    assert "sandpiper_s1_r1_retract" in out
    status, out, err = run(capsys, "list", demo, "--tip", "albatross")
    assert status == 2
    assert err.startswith("sts: no such tip 'albatross'; this session has heron")
    assert len(err.splitlines()) == 1


def test_what_is_listed_can_be_read_by_a_program(session: Path, capsys: pytest.CaptureFixture[str]) -> None:
    sweeps = json.loads(said(capsys, "list", session, "--tip", "heron", "--json"))
    assert [row["source"] for row in sweeps] == ["a0.csv", "a1.csv", "a2.csv"]
    assert {row["tip"] for row in sweeps} == {"heron"}
    assert sweeps[0]["setpoint_current_A"] is None  # unknown is no number
    sources = json.loads(said(capsys, "list", session, "--sources", "--json"))
    assert [row["name"] for row in sources] == ["a0.csv", "a1.csv", "a2.csv"]
    assert sources[1]["sha256"] == hashlib.sha256(session.with_name("a1.csv").read_bytes()).hexdigest()
    assert "this session has none named" in said(capsys, "list", session, "--sample", "gold", code=2)


def test_a_decision_is_kept_with_its_reason_and_taken_back(demo, capsys):
    name = "heron_s1_r2_retract"
    assert run(capsys, "mark", demo, "--omit", name, "--why", "touched")[0] == 0
    _, out, _ = run(capsys, "check", demo, "--json")
    row = next(r for r in json.loads(out) if r["sweep"] == name)
    assert not row["used"]
    assert row["decided_by"] == "person"
    assert "touched" in row["reasons"]
    assert run(capsys, "mark", demo, "--undo", name)[0] == 0
    assert "touched" in run(capsys, "mark", demo)[1]  # the log keeps it


def test_a_decision_is_of_the_one_who_is_named_and_of_nobody_where_that_is_wished(session, capsys):
    one, other = json.loads(said(capsys, "list", session, "--json"))[:2]
    said(capsys, "mark", session, "--omit", one["sweep"], "--why", "touched", "--by", "A. Jensen")
    said(capsys, "mark", session, "--omit", other["sweep"], "--why", "touched", "--by", "")
    assert [row["by"] for row in json.loads(said(capsys, "mark", session, "--json"))] == ["A. Jensen", ""]
    assert "not recorded" in said(capsys, "mark", session)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--omit", "heron_s1_r2_retrakt", "--why", "x"), "heron_s1_r2_retract"),  # near misses are named
        (("--omit", "heron_s1_r2_retract"), "reason"),
        (("heron_s1_r2_retract",), "--omit, --keep or --undo"),
        (("--omit",), "Name the sweeps"),
    ],
)
def test_a_wrong_decision_is_one_line(demo, capsys, arguments, words):
    status, _, err = run(capsys, "mark", demo, *arguments)
    assert status == 2
    assert words in err
    assert len(err.splitlines()) == 1


def test_decisions_are_told_in_words_and_to_programs(session: Path, capsys: pytest.CaptureFixture[str]) -> None:
    name = Session(session).sweeps()["sweep"].iloc[0]
    assert "No decision has been taken" in said(capsys, "mark", session)
    assert "--omit, --keep or --undo" in said(capsys, "mark", session, name, code=2)
    assert f"'sts list {session}'" in said(capsys, "mark", session, "--omit", code=2)
    decisions = json.loads(said(capsys, "mark", session, name, "--omit", "--why", "tip touched", "--json"))
    assert [(row["sweep"], row["action"], row["why"]) for row in decisions] == [(name, "omit", "tip touched")]
    assert "tip touched" in said(capsys, "mark", session)


def test_a_decision_says_how_to_take_it_back_and_taking_back_does_not(
    session: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    name = Session(session).sweeps()["sweep"].iloc[0]
    out = said(capsys, "mark", session, name, "--omit", "--why", "tip touched")
    assert out.splitlines()[-1] == "Written. To take it back: the same with --undo."
    assert said(capsys, "mark", session, name, "--undo").splitlines()[-1] == "Written."
    assert "one of --omit, --keep or --undo" in said(capsys, "mark", session, name, "--omit", "--keep", code=2)


def test_labels_together_pick_the_sweeps_that_fit_all(demo: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rows = json.loads(said(capsys, "list", demo, "--tip", "heron", "--site", "2", "--json"))
    assert {(row["tip"], row["site"]) for row in rows} == {("heron", "2")}
    assert len(rows) == 8


def test_export_returns_the_files_byte_for_byte(demo, capsys, tmp_path):
    assert run(capsys, "export", demo, "originals", "--out", tmp_path / "o")[0] == 0
    original = DEMO / "iz" / "heron_s1_r1.csv"
    assert (tmp_path / "o" / original.name).read_bytes() == original.read_bytes()


def test_sessions_are_merged_once(session: Path, capsys: pytest.CaptureFixture[str]) -> None:
    other = session.with_name("other.h5")
    new = session.with_name("b0.csv")
    new.write_text(f"# note: b\n{SWEEP}", encoding="utf-8")
    assert said(capsys, "import", new, session.with_name("a0.csv"), "--into", other)
    assert "1 file with 1 sweep added" in said(capsys, "merge", session, other)
    assert "0 files with 0 sweeps added" in said(capsys, "merge", session, other)
    assert sorted(Session(session).sources()["name"]) == ["a0.csv", "a1.csv", "a2.csv", "b0.csv"]


def test_a_damaged_session_is_rescued_into_a_new_file(session: Path, capsys: pytest.CaptureFixture[str]) -> None:
    damaged, new = session.with_name("damaged.h5"), session.with_name("new.h5")
    damaged.write_bytes(session.read_bytes())
    said(capsys, "rescue", damaged, "--out", new)
    assert len(Session(new).sweeps()) == 3
    before = new.read_bytes()
    assert str(new) in said(capsys, "rescue", damaged, "--out", new, code=2)
    assert new.read_bytes() == before
