"""A logbook to be filled in: what is known of a file, in the units that people write, as CSV or workbook."""

from __future__ import annotations

import builtins
import csv

import numpy as np
import openpyxl
import pandas as pd
import pytest

from sts.loaders import UnreadableFile, read_logbook
from sts.loaders.started_logbook import started_logbook, write_csv, write_xlsx
from sts.sweeps import COLUMNS, NUMBER_COLUMNS

SOURCES = pd.DataFrame({"name": ["a.txt", "b.txt", "empty.txt"], "path": ["gold/a.txt", "", ""]})


def sweeps(**known):
    table = {c: [np.nan] * 3 if c in NUMBER_COLUMNS else [""] * 3 for c in COLUMNS}
    return pd.DataFrame(
        {
            **table,
            "source": ["a.txt", "a.txt", "b.txt"],
            "sweep": ["a1", "a2", "b"],
            "kind": ["iv", "iz", "iv"],
            **known,
        }
    )


def test_a_row_per_file_with_what_its_sweeps_share():
    head, rows = started_logbook(
        sweeps(tip=["heron", "heron", "ibis"], site=["1", "2", "3"], setpoint_current_A=[5e-11, 5e-11, 1e-10]), SOURCES
    )
    cells = [dict(zip(head, row, strict=True)) for row in rows]
    assert [(c["file"], c["kind"], c["sweeps"], c["tip"], c["site"]) for c in cells] == [
        ("gold/a.txt", "I(V), I(z)", 2.0, "heron", ""),  # its sweeps differ in site: nothing to add
        ("b.txt", "I(V)", 1.0, "ibis", "3"),
    ]
    assert [c["set-point current (pA)"] for c in cells] == [50.0, 100.0]
    assert "modulation rms (mV)" not in head  # only where something is known


def test_a_decimal_comma_makes_texts():
    _, rows = started_logbook(sweeps(temperature_K=[4.2, 4.2, 77.0]), SOURCES, ",")
    assert "4,2" in rows[0]
    assert "77" in rows[1]


@pytest.mark.parametrize("decimal", [".", ","])
def test_a_csv_opens_in_a_spreadsheet_and_reads_back(tmp_path, decimal):
    path = tmp_path / "logbook.csv"
    head, rows = started_logbook(sweeps(tip=["a;b", "a;b", "c,d"], temperature_K=[4.2, 4.2, 77.0]), SOURCES, decimal)
    write_csv(path, head, rows, decimal)
    assert path.read_bytes().startswith(b"\xef\xbb\xbf")
    text = path.read_text("utf-8-sig")
    assert next(csv.reader(text.splitlines(), delimiter=";" if decimal == "," else ",")) == head
    book = read_logbook(path)
    assert [(r.pattern, r.values["tip"], r.values["temperature_K"]) for r in book.rows] == [
        ("gold/a.txt", "a;b", 4.2), ("b.txt", "c,d", 77.0),
    ]  # fmt: skip


def test_a_workbook_holds_names_as_texts_and_never_as_formulae(tmp_path):
    path = tmp_path / "logbook.xlsx"
    write_xlsx(path, ["file", "tip", "temperature (K)"], [["a.txt", "=1+1", 4.2], ["b.txt", "", 77.0]])
    sheet = openpyxl.load_workbook(path).active
    assert [c.data_type for c in sheet[2]] == ["s", "s", "n"]
    assert sheet["B3"].value is None
    assert read_logbook(path).rows[0].values == {"tip": "=1+1", "temperature_K": 4.2}


def test_without_the_optional_writer_it_is_said_what_to_install(tmp_path, monkeypatch):
    real = builtins.__import__

    def missing(name, *rest, **more):
        if name == "openpyxl":
            raise ImportError(name)
        return real(name, *rest, **more)

    monkeypatch.setattr(builtins, "__import__", missing)
    with pytest.raises(UnreadableFile, match=r"logbook\.xlsx: workbooks need the package openpyxl"):
        write_xlsx(tmp_path / "logbook.xlsx", ["file"], [])
