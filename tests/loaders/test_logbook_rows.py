"""The rows of a logbook: dialects, sheets, and what each cell says or must not."""

from __future__ import annotations

import openpyxl
import pytest
from loaders.written import book
from numpy.testing import assert_allclose

from sts.loaders import UnreadableFile, apply_logbook, read_logbook


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
        ("file,current inverted\n*,yes\n", "turns a sign"),
        ("file,grounded\n*,sample\n", "turns a sign"),
        ("file,bias polarity\n*,inverted\n", "turns a sign"),
        ("file,tip bias (V)\n*,0.1\n", "turns a sign"),
        ("file,temperature (K),tip\nx_A*,4,2,heron\n", "line 2: has 4 cells under 3 columns"),
        ("file,tip\na*,heron\nb*,〃\n", "line 3, column 'tip': '〃' stands for the cell above"),
        ("file,tip\na*,heron\nb*,ditto\n", "stands for the cell above"),
        ('file,tip\na*,"heron\nb*,ibis\n', "is no table|goes over two lines"),
        ('file,tip\na*,"heron\nb*",ibis\n', "goes over two lines|cells under"),
        ("file,direction\n*,sideways\n", "'sideways' is no direction"),
        ("file,kind\n*,etched\n", "uses itself"),
        ("file,set-point (pA)\n*,50 nA\n", "its name 'pA'"),
        ("file;x (nm);y (nm)\n*;1.500;0,2\n", "not a number that can be read without doubt"),
        ("file;x (nm);y (nm)\n*;1,500;1,250\n", "not a number that can be read without doubt"),
    ],
)
def test_what_a_logbook_must_not_do(tmp_path, text, message):
    with pytest.raises(UnreadableFile, match=message):
        book(tmp_path, text)


CELLS = {
    "file,tip (material)\n*,W\n": {"tip": "heron", "tip_material": "W"},
    "file,site,site (nm)\n*,4,12\n": {"site": "4", "site_nm": 12.0},
    "file,temperature (shield) (K)\n*,5\n": {"temperature_K": 77.0, "temperature_shield_k": 5.0},
    "file,set-point (pA)\n*,50\n": {"setpoint_current_A": 50e-12},
    "file,setpoint\n*,50 pA / 0.2 V\n": {"setpoint_current_A": 50e-12, "setpoint_bias_V": 0.2},
    "file,date,time\n*,2026-04-10,12:30\n": {"started": "2026-04-10 12:30"},
    "file,site\n*,??\n": {"site": ""},
    "file,site\n*,none\n": {"site": ""},
    "file,site,tip set\n*,n.a.,new\n": {"site": "", "tip_set": "new"},
    'file,notes\n*,"first\nsecond"\n': {"notes": "first\nsecond"},
    "file,direction\n*,Up\n": {"direction": "up"},
}


@pytest.mark.parametrize("text", CELLS)
def test_what_a_cell_says(tmp_path, sweep, text):
    filled, _ = apply_logbook(sweep, book(tmp_path, text))
    row = filled.sets[0].table.iloc[0]
    for column, value in CELLS[text].items():
        assert row[column] == (pytest.approx(value) if isinstance(value, float) else value), column


def test_all_sheets_that_speak_of_files_are_read(tmp_path, sweep):
    path = tmp_path / "log.xlsx"
    wb = openpyxl.Workbook()
    for sheet, rows in {"Notes": [["cleaned the tips"]], "Mon": [["file", "site"], ["other*", 1]],
                        "Tue": [["file", "site"], ["heron*", 2]]}.items():  # fmt: skip
        page = wb.create_sheet(sheet)
        for row in rows:
            page.append(row)
    del wb["Sheet"]
    wb.save(path)
    log = read_logbook(path)
    assert [row.place for row in log.rows] == ["sheet 'Mon', line 2", "sheet 'Tue', line 2"]
    assert apply_logbook(sweep, log)[0].sets[0].table.iloc[0]["site"] == "2"
