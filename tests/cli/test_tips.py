"""The command `sts tips`: sentences first, tables, exit status by what was left out."""

from __future__ import annotations

import json

from cli.calling import run


def test_many_sessions_by_a_pattern_are_told_and_written(month, capsys, tmp_path):
    status, out, _ = run(capsys, "tips", f"{month[0].parent}/day[01].h5", "--out", tmp_path / "tips")
    assert status == 0
    assert {line.partition(":")[0] for line in out.splitlines()[:3]} == {"heron", "stork", "gull"}
    assert "Tips day by day" in out
    assert (tmp_path / "tips" / "tips.html").exists()


def test_a_session_that_cannot_be_read_is_named_and_the_status_is_one(month, capsys, tmp_path):
    bad = tmp_path / "bad.h5"
    bad.write_text("no session", encoding="utf-8")
    status, out, err = run(capsys, "tips", bad, month[0], "--out", tmp_path / "tips", "--json")
    assert status == 1
    assert "bad.h5 was left out" in err
    assert [row["tip"] for row in json.loads(out)["days"]] == ["heron", "stork"]


def test_nothing_is_done_where_nothing_can_be(month, capsys, tmp_path):
    status, _, err = run(capsys, "tips", f"{tmp_path}/*.h5", "--out", tmp_path / "tips")
    assert (status, "No file fits" in err) == (2, True)
    (tmp_path / "plan.toml").write_text("", encoding="utf-8")
    status, _, err = run(capsys, "tips", month[0], "--out", tmp_path)
    assert (status, "is there already" in err) == (2, True)
