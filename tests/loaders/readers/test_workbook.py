"""Workbooks written by openpyxl, a general library: every kind of cell, the sheet that the recipe names, damage."""

from __future__ import annotations

import builtins
import datetime as dt

import numpy as np
import openpyxl
import pytest
from numpy.testing import assert_allclose

from sts.loaders import Recipe, UnreadableFile, read_file
from sts.loaders.readers.workbook import sheets_of


def book(path, **sheets):
    wb = openpyxl.Workbook()
    wb.remove(wb.active)
    for name, rows in sheets.items():
        sheet = wb.create_sheet(name)
        for row in rows:
            sheet.append(row)
    wb.save(path)
    return path


SWEEP = [["V (V)", "I (A)"], *([v / 10, v * 1e-10] for v in range(-5, 6))]


def test_every_kind_of_cell_is_text_that_reads_back(tmp_path):
    row = [
        1,
        0.1,
        True,
        dt.datetime(2026, 3, 1, 14, 30),
        dt.date(2026, 3, 1),
        dt.time(14, 30),
        " two\n words ",
        None,
        -3e-13,
    ]
    path = book(tmp_path / "w.xlsx", a=[row])
    assert sheets_of(path.read_bytes())["a"] == [
        ["1", "0.1", "True", "2026-03-01 14:30:00", "2026-03-01", "14:30:00", "two words", "", "-3e-13"]
    ]  # fmt: skip


def test_the_recipe_names_the_sheet(tmp_path):
    path = book(tmp_path / "w.xlsx", first=SWEEP, second=[[a, b if isinstance(b, str) else 2 * b] for a, b in SWEEP])
    assert len(read_file(path).sets) == 1
    assert sum(len(s) for s in read_file(path).sets) == 2
    (only,) = read_file(path, recipe=Recipe(sheet="second")).sets
    assert only.current[0, 0] == -1e-9
    with pytest.raises(UnreadableFile, match="has no sheet 'third'; it has 'first', 'second'"):
        read_file(path, recipe=Recipe(sheet="third"))


def test_a_workbook_without_a_table_is_refused_in_words(tmp_path):
    with pytest.raises(UnreadableFile, match=r"w\.xlsx"):
        read_file(book(tmp_path / "w.xlsx", a=[]))
    with pytest.raises(UnreadableFile, match=r"w\.xlsx"):
        read_file(book(tmp_path / "w.xlsx", a=[["only", "words"]]))


def test_a_damaged_workbook_is_refused_in_one_line(tmp_path):
    path = book(tmp_path / "w.xlsx", a=SWEEP)
    content = path.read_bytes()
    for damaged in (content[: len(content) // 2], content.replace(b"xl/worksheets", b"xl/worksheetX")):
        path.write_bytes(damaged)
        with pytest.raises(
            UnreadableFile, match=r"damaged archive|no workbook that can be read|holds no sheet"
        ) as said:
            read_file(path)
        assert "\n" not in str(said.value)


def test_without_the_optional_reader_it_is_said_what_to_install(tmp_path, monkeypatch):
    path = book(tmp_path / "w.xlsx", a=SWEEP)
    plain = builtins.__import__

    def without(name, *arguments, **more):
        if name.startswith("python_calamine"):
            raise ImportError(name)
        return plain(name, *arguments, **more)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(UnreadableFile, match=r"need the package python-calamine \(the extra 'excel'\)"):
        read_file(path)


BIAS = np.linspace(-1, 1, 41)


CURRENT = np.random.default_rng(1).normal(size=(6, 41)) * 1e-9


def test_workbook_written_by_openpyxl_is_read_to_its_sixteen_digits(tmp_path):
    path = tmp_path / "w.xlsx"
    wb = openpyxl.Workbook()
    ws = wb.active
    ws.append(["tip:", "heron"])
    ws.append(["V (V)", "I (A)"])
    for row in zip(BIAS.tolist(), CURRENT[0].tolist(), strict=True):
        ws.append(row)
    notes = wb.create_sheet("notes")
    notes.append(["nothing to see"])
    wb.save(path)
    (s,) = read_file(path).sets
    assert_allclose(s.axis, BIAS, rtol=1e-15)
    assert_allclose(s.current[0], CURRENT[0], rtol=1e-15)


def _rise(sweeps) -> float:
    return float(np.sign(sweeps.current[:, -1] - sweeps.current[:, 0])[0])


def test_a_sheet_without_a_table_says_something_about_the_others(tmp_path):
    book = openpyxl.Workbook()
    for row in [("Tip", "heron"), ("Current inverted", "yes"), ("Temperature", "4.2 K")]:
        book.active.append(row)
    sheet = book.create_sheet("Data")
    for row in [("V (mV)", "I (nA)"), *((v, v / 100) for v in range(-100, 101, 10))]:
        sheet.append(row)
    book.save(tmp_path / "a.xlsx")
    (part,) = read_file(tmp_path / "a.xlsx").sets
    assert (part.table["tip"][0], part.table["temperature_K"][0], _rise(part)) == ("heron", 4.2, -1.0)
    book["Sheet"].append(("Divider", "100"))
    book.save(tmp_path / "a.xlsx")
    with pytest.raises(
        UnreadableFile, match="sheet 'Sheet', line 4: the header entry 'Divider' is '100', which may multiply"
    ):
        read_file(tmp_path / "a.xlsx")


def test_a_cell_far_from_all_others_is_refused_before_memory_is_taken(tmp_path):
    """One cell in the last row and column of a sheet: the reader would take 17 thousand million places, and end the program."""
    path = book(tmp_path / "a.xlsx", data=SWEEP)
    wb = openpyxl.load_workbook(path)
    wb["data"]["XFD1048576"] = "x"
    wb.save(path)
    with pytest.raises(UnreadableFile, match="one of them in row 1048576 or column 16384"):
        read_file(path)
    near = book(
        tmp_path / "b.xlsx", data=[*SWEEP, *([[]] * 3000), [""] * 50 + ["a remark"]]
    )  # 150 thousand places: read
    assert len(sheets_of(near.read_bytes())["data"]) == 3013
