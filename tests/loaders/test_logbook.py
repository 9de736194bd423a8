"""The logbook fills in what headers do not say, and disagreement is reported."""

from __future__ import annotations

import pytest
from loaders.written import SWEEP, book

from sts.loaders import apply_logbook, read_file


@pytest.mark.parametrize(("prefer", "tip"), [(False, "heron"), (True, "plover")])
def test_header_and_logbook_disagree(tmp_path, sweep, prefer, tip):
    log = book(tmp_path, "file,tip,temperature (K)\nheron_s1_r1.csv,plover,77\n")
    filled, conflicts = apply_logbook(sweep, log, prefer_logbook=prefer)
    assert list(filled.sets[0].table["tip"]) == [tip]
    assert len(conflicts) == 1  # the temperatures agree
    assert "the header says tip is 'heron', log.csv, line 2, says 'plover'" in conflicts[0]


def test_rows_that_disagree_are_reported_and_the_first_holds(tmp_path, sweep):
    log = book(tmp_path, "file,site\nheron_*,a\n*_r1.csv,b\n")
    filled, conflicts = apply_logbook(sweep, log)
    assert list(filled.sets[0].table["site"]) == ["a"]
    assert "line 2" in conflicts[0]
    assert "line 3" in conflicts[0]


def test_row_for_one_sweep_of_a_file(tmp_path):
    path = tmp_path / "t.csv"
    path.write_text("V (mV),I_1 (nA),I_2 (nA)\n0,1,1\n1,2,2\n", encoding="utf-8")
    log = book(tmp_path, "sweep,site\nt_2,b\n")
    assert list(apply_logbook(read_file(path), log)[0].sets[0].table["site"]) == ["", "b"]


def test_patterns_know_no_brackets_and_case_does_not_matter(tmp_path):
    path = tmp_path / "Tip[1] a.csv"
    path.write_text(SWEEP, encoding="utf-8")
    log = book(tmp_path, "file,site\nTIP[1]*,a\n")
    assert list(apply_logbook(read_file(path), log)[0].sets[0].table["site"]) == ["a"]
    assert log.reach([("other.csv", "")]) == (["line 2, 'TIP[1]*'"], [])
    assert log.reach([("Tip[1] a.csv", ""), ("Tip[1] b.csv", "")]) == ([], ["line 2, 'TIP[1]*'"])
