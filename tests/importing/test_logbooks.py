"""Started logbooks and tables of decisions."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pytest
from importing.thursday import NAMED, labels, sweep

from sts.cli import main
from sts.importing import annotate_session, import_files, write_logbook
from sts.session import Session, SessionError, take_back


@pytest.mark.parametrize("ending", ["csv", "xlsx"])
def test_a_started_logbook_is_filled_in_and_given_back_as_often_as_wanted(
    folder: Path, tmp_path: Path, ending: str
) -> None:
    path, book = tmp_path / "s.h5", tmp_path / f"book.{ending}"
    import_files([folder], path)
    assert write_logbook(path, book) == 6
    assert annotate_session(path, book).changes.empty  # as it is, it says nothing new
    if ending == "csv":
        table = pd.read_csv(book, dtype=str, keep_default_na=False, encoding="utf-8-sig")
        table.loc[table["file"] == "thursday/odd.txt", "tip"] = "C"
        table.loc[table["tip"] == "B", "tip"] = "stork"  # a guess from a name, corrected
        table["set-point current (pA)"] = "50"
        table.to_csv(book, index=False)
    else:
        sheet = openpyxl.load_workbook(book)
        rows = list(sheet.active.iter_rows())
        head = [cell.value for cell in rows[0]]
        for row in rows[1:]:
            tip = row[head.index("tip")]
            tip.value = "C" if row[0].value == "thursday/odd.txt" else "stork" if tip.value == "B" else tip.value
            row[head.index("set-point current (pA)")].value = 50
        sheet.save(book)
    done = annotate_session(path, book)
    assert done.conflicts == []
    expected = NAMED | {"odd.txt": "C", "tipB_site1_001.txt": "stork", "tipB_site2_001.txt": "stork"}
    assert labels(path) == expected
    np.testing.assert_allclose(list(labels(path, "setpoint_current_A").values()), 5e-11)
    if ending == "csv":
        book.write_text(book.read_text(encoding="utf-8").replace("stork", "crane"), encoding="utf-8")
        assert annotate_session(path, book).conflicts == []  # the same logbook, corrected
        assert labels(path)["tipB_site1_001.txt"] == "crane"
        take_back(path)
        assert labels(path) == expected


def test_a_started_logbook_speaks_the_decimal_mark_of_the_files(tmp_path: Path) -> None:
    sweep(tmp_path / "a.csv", 1, "# temperature: 4.5 K\n")
    text = (tmp_path / "a.csv").read_text().replace(",", ";").replace(".", ",").replace("4,5 K", "4,5 K")
    (tmp_path / "a.csv").write_text(text)
    import_files([tmp_path / "a.csv"], tmp_path / "s.h5")
    write_logbook(tmp_path / "s.h5", tmp_path / "log.csv")
    lines = (tmp_path / "log.csv").read_text(encoding="utf-8-sig").splitlines()
    assert lines[0].startswith("file;kind;sweeps;sample;tip;site")
    assert "4,5" in lines[1]
    assert annotate_session(tmp_path / "s.h5", tmp_path / "log.csv").changes.empty
    with pytest.raises(SessionError, match="is there already"):
        write_logbook(tmp_path / "s.h5", tmp_path / "log.csv")
    with pytest.raises(SessionError, match=r"\.csv or \.xlsx"):
        write_logbook(tmp_path / "s.h5", tmp_path / "log.ods")


def said(capsys: pytest.CaptureFixture[str], *arguments: object, status: int = 0) -> str:
    assert main([str(a) for a in arguments]) == status
    return capsys.readouterr().out


def test_marking_by_pattern_label_and_table(folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "s.h5"
    said(capsys, "import", folder, "--into", path)
    out = said(capsys, "mark", path, "--omit", "tipB_*", "--why", "bent", "--dry-run")
    assert out.startswith("3 sweeps to be left out: tipB_site1_001, tipB_site2_001, tipB_site3_001")
    assert "Nothing was written" in out
    assert Session.open(path).decisions().empty
    said(capsys, "mark", path, "--omit", "tipB_*", "--why", "bent")
    said(capsys, "mark", path, "--keep", "--tip", "B", "--site", "2", "--why", "looks fine")
    assert Session.open(path).current_decisions()["tipB_site2_001"] == ("keep", "looks fine")
    (tmp_path / "why.csv").write_text("sweep,why\ntipA_site1_001,noisy\nodd,no tip\n", encoding="utf-8")
    said(capsys, "mark", path, "--omit", "--from", tmp_path / "why.csv")
    assert Session.open(path).current_decisions()["odd"] == ("omit", "no tip")
    said(capsys, "mark", path, "--undo", "--tip", "B")  # one of the three was never decided about again
    assert "tipB_site1_001" not in Session.open(path).current_decisions()
    before = path.read_bytes()
    for bad, why in (
        (["--keep", "--undo", "odd", "--why", "x"], "one of --omit, --keep or --undo"),
        (["--undo", "tipB_site1_001", "odd"], "no decision on 'tipB_site1_001'"),
        (["--omit", "--tip", "A", "--dry-run"], "needs a reason"),
        (["--omit", "nothing*", "--why", "x"], "no such sweep 'nothing*'"),
        (["--omit", "tipB_*", "--tip", "A", "--why", "x"], "no sweep fits"),
        (["--omit", "--tip", "Z", "--why", "x"], "no such tip 'Z'"),
        (["--omit", "--tip", "A"], "needs a reason"),
        (["--omit", "--from", str(tmp_path / "why.csv"), "odd"], "either --from FILE, or sweeps"),
    ):
        assert main(["mark", str(path), *bad]) == 2
        assert why in capsys.readouterr().err
    assert path.read_bytes() == before


def test_a_table_of_decisions_may_name_files_and_patterns(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path, table = tmp_path / "s.h5", tmp_path / "why.csv"
    said(capsys, "import", folder, "--into", path)
    table.write_text("file;sweep;why\ntipB/*;;bent\n;tip*_site1_*;drifting\ntipA/*;*site2*;noisy\n", encoding="utf-8")
    out = said(capsys, "mark", path, "--omit", "--from", table, "--dry-run")
    assert out.startswith("5 sweeps to be left out")
    said(capsys, "mark", path, "--omit", "--from", table)
    decided = {name: why for name, (_, why) in Session.open(path).current_decisions().items()}
    assert decided == {
        "tipB_site1_001": "bent", "tipB_site2_001": "bent", "tipB_site3_001": "bent", "tipA_site1_001": "drifting",
        "tipA_site2_001": "noisy",
    }  # fmt: skip
    table.write_text("file\ntipB/*\n", encoding="utf-8")
    said(capsys, "mark", path, "--undo", "--from", table)
    assert len(Session.open(path).current_decisions()) == 2
    for rows, why in (
        ("sweep,why\nnone_such,x\n", "no such sweep 'none_such'"),
        ("sweep,why\nodd,\n", "gives no reason"),
        ("file,why\ntipC/*,x\n", "'tipC/*' fits no sweep"),
    ):
        table.write_text(rows, encoding="utf-8")
        for more in ([], ["--dry-run"]):
            assert main(["mark", str(path), "--omit", "--from", str(table), *more]) == 2
            assert why in capsys.readouterr().err
