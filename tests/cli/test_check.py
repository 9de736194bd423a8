"""The command that judges every sweep, and how it says alike what is alike."""

from __future__ import annotations

import json

import pandas as pd
from cli.calling import SWEEP, run

from sts.cli.check import _print_judged, judged_alike


def test_check_judges_every_sweep_with_reasons(demo, capsys):
    status, out, _ = run(capsys, "check", demo, "--json")
    rows = {row["sweep"]: row for row in json.loads(out)}
    assert status == 0
    assert "jump" in rows["heron_s2_r3_approach"]["flags"]
    assert not rows["heron_s2_r3_approach"]["used"]
    assert "not a work function" in rows["sandpiper_s1_r1_retract"]["reasons"]
    assert rows["heron_s1_r1_retract"]["used"]


def judged(*rows: tuple[str, str, str, str, bool, str]) -> pd.DataFrame:
    names = ["sweep", "tip", "site", "flags", "used", "reasons"]
    frame = pd.DataFrame(rows, columns=names, dtype=object)
    return frame.assign(kind="iz", sample="gold", decided_by="rule", used=frame["used"].astype(bool))


def test_a_tip_whose_sweeps_all_carry_a_flag_is_one_line_with_the_range():
    table = judged(
        ("a1", "a", "1", "low barrier", True, "0.71 eV: not a work function"),
        ("a2", "a", "2", "low barrier", True, "0.68 eV: not a work function"),
        ("b1", "b", "1", "", True, ""),
        ("b2", "b", "1", "", True, ""),
        ("b3", "b", "1", "jump", False, "current x 1.6 at 0.12 nm"),
        ("b4", "b", "1", "jump", False, "current x 1.7 at 0.13 nm"),
    )
    rows = judged_alike(table, table).to_numpy().tolist()
    assert rows[0] == [
        "all 2 I(z) sweeps", "a", "2 sites", "yes", "low barrier: 0.68 to 0.71 eV: not a work function",
    ]  # fmt: skip
    assert rows[1] == ["2 I(z) sweeps", "b", "1", "yes", ""]
    assert [row[0] for row in rows[2:]] == ["b3", "b4"]  # their names are needed for a decision


def test_rows_of_two_samples_name_theirs():
    table = judged(*((f"a{i}", "a", "1", "", True, "") for i in range(4)))
    table["sample"] = ["gold", "gold", "graphite", "graphite"]
    assert judged_alike(table, table)["sweep"].tolist() == ["all 2 I(z) sweeps, gold", "all 2 I(z) sweeps, graphite"]


def test_reasons_of_other_words_are_given_for_one():
    table = judged(("a1", "a", "1", "jump", False, "at 1 nm"), ("a2", "a", "1", "jump", False, "twice, at 2 and 3 nm"))
    assert judged_alike(table, table)["why"].tolist() == ["jump: for one, at 1 nm"]


def test_decisions_of_a_person_keep_their_rows():
    table = judged(("a1", "a", "1", "", False, "omit: hit"), ("a2", "a", "1", "", False, "omit: hit"))
    by_hand = table.assign(decided_by="person", by=["anna", ""])
    shown = judged_alike(by_hand, by_hand)
    assert shown["sweep"].tolist() == ["a1", "a2"]
    assert shown["why"].tolist() == ["omit: hit (by anna)", "omit: hit (by whom: not recorded)"]


def test_one_sweep_is_one_sweep(capsys, tmp_path):
    (tmp_path / "v.csv").write_text(SWEEP, encoding="utf-8")
    assert run(capsys, "import", tmp_path / "v.csv", "--into", tmp_path / "s.h5")[0] == 0
    assert "\n1 sweep: " in run(capsys, "check", tmp_path / "s.h5")[1]


def test_of_very_many_sweeps_sites_are_summed_up_and_those_left_out_named(capsys, monkeypatch):
    places = [(f"a{site}_{i}", "heron", f"s{site}") for site in range(3) for i in range(100)]
    rows = [(*place, "noisy" if i % 7 else "jump", bool(i % 60), f"reason {i}") for i, place in enumerate(places)]
    monkeypatch.setattr("sts.cli.check.too_long", lambda rows: rows > 200)
    monkeypatch.setattr("sts.cli.terminal.too_long", lambda rows: rows > 200)
    _print_judged(table := judged(*rows), table)
    out = capsys.readouterr().out
    assert "300 rows, summed up by sample, tip, site and kind; --all prints each." in out
    assert "noisy (85), jump (15)" in out
    assert "a0_0 " in out
    assert "reason 60" in out
    assert "reason 61" not in out
