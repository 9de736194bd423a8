"""The logbook fills in what headers do not say, and disagreement is reported."""

from __future__ import annotations

import openpyxl
import pytest
from numpy.testing import assert_allclose

from sts.loaders import UnreadableFile, apply_logbook, read_file, read_logbook

SWEEP = "# tip: heron\n# temperature: 77 K\nV (mV),I (nA)\n-1,-2\n0,0\n1,2\n"


@pytest.fixture
def sweep(tmp_path):
    path = tmp_path / "heron_s1_r1.csv"
    path.write_text(SWEEP, encoding="utf-8")
    return read_file(path)


def book(tmp_path, text, name="log.csv", encoding="utf-8"):
    path = tmp_path / name
    path.write_bytes(text.encode(encoding))
    return read_logbook(path)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_spreadsheet_with_semicolons_and_decimal_commas(tmp_path, sweep, encoding):
    log = book(
        tmp_path,
        "file;sample;site;set-point current (pA);modulation rms (µV);x (nm);made_by;batch\n"
        "heron_*.csv;gold;1;50,5;7;12,25;etched;3\n",
        encoding=encoding,
    )
    filled, conflicts = apply_logbook(sweep, log)
    row = filled.sets[0].table.iloc[0]
    assert conflicts == []
    assert (row["sample"], row["site"], row["made_by"], row["batch"]) == ("gold", "1", "etched", 3.0)
    assert_allclose([row["setpoint_current_A"], row["modulation_V"], row["x_m"]], [50.5e-12, 7e-6, 12.25e-9])
    assert row["tip"] == "heron"  # from the header, untouched


def test_workbook_written_by_a_general_library(tmp_path, sweep):
    path = tmp_path / "log.xlsx"
    wb = openpyxl.Workbook()
    wb.active.append(["File", "Site", "Set-point current (nA)", "Made by"])
    wb.active.append(["heron_s1*", 1, 0.05, "cut"])
    wb.save(path)
    row = apply_logbook(sweep, read_logbook(path))[0].sets[0].table.iloc[0]
    assert (row["site"], row["made_by"]) == ("1", "cut")
    assert_allclose(row["setpoint_current_A"], 50e-12)


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


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("tip,site\nheron,a\n", "no column 'file' or 'sweep'"),
        ("file,tip\n", "holds no rows"),
        ("file,temperature\n*,77\n", r"line 2, column 'temperature': '77' has no unit"),
        ("file,temperature (K)\n*,cold\n", "line 2, column 'temperature"),
        ("file,modulation (mV)\n*,5\n", "does not say rms or peak"),
        ("file,tip,Tip\n*,a,b\n", "two columns hold 'tip'"),
        ("file,tip\n,a\n", "line 2: names no file and no sweep"),
        ("file,bias applied to\n*,tip\n", "turns a sign"),
        ("file,x (kg)\n*,1\n", "has no unit|none of length"),
    ],
)
def test_what_a_logbook_must_not_do(tmp_path, text, message):
    with pytest.raises(UnreadableFile, match=message):
        book(tmp_path, text)
