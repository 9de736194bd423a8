"""What a session gives out again: originals byte for byte, CSV and npz that general libraries read."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_array_equal
from session.examples import file_of, sweep_set

from sts.session import (
    Session,
    SessionError,
    export_csv,
    export_npz,
    export_originals,
    inert,
    layout,
    safe_file_name,
    tables,
)  # fmt: skip


@pytest.fixture
def session(tmp_path: Path) -> Session:
    session = Session.create(tmp_path / "bench.h5")
    parts = (
        sweep_set(["a", "b", "c"], tip="=cmd()", site="s 1", setpoint_current_A=1e-10, repeat=[1, 2, 3]),
        sweep_set(["d"], kind="iz", points=5),
        sweep_set(["l"], lockin_unit="S", points=7),
    )
    session.add([file_of(1, *parts), file_of(2)])
    return session


def test_originals_come_out_byte_for_byte(session: Session, tmp_path: Path) -> None:
    paths = export_originals(session, tmp_path / "out")
    assert [path.name for path in paths] == ["file1.csv", "file2.csv"]
    assert [path.read_bytes() for path in paths] == [file_of(1).content, file_of(2).content]


def test_the_list_of_files_is_read_as_often_for_many_files_as_for_one(session, tmp_path, monkeypatch) -> None:
    """Read anew for each file, 20,000 files took hours."""
    read, times = tables.read_log, []
    monkeypatch.setattr(tables, "read_log", lambda *which: times.append(which) or read(*which))
    export_originals(session, tmp_path / "few")
    few = len(times)
    session.add([file_of(number) for number in range(3, 40)])
    times.clear()
    export_originals(session, tmp_path / "many")
    assert len(times) == few


@pytest.mark.parametrize("block", [1 << 25, 100])
def test_pandas_reads_the_same_numbers_from_the_csv(
    session: Session, tmp_path: Path, block: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Outside reference: pandas' own reader."""
    monkeypatch.setattr(layout, "BLOCK_BYTES", block)
    paths = export_csv(session, tmp_path / "out")
    assert {p.name for p in paths} == {"sweeps.csv", "decisions.csv", "iv_001.csv", "iv_002.csv", "iz_001.csv"}
    part = session.sets("iv")[0]
    read = pd.read_csv(tmp_path / "out" / "iv_001.csv")
    assert list(read.columns) == ["sweep", "bias_V", "current_A"]
    assert_array_equal(read["current_A"].to_numpy().reshape(part.current.shape), part.current)
    assert_array_equal(read["bias_V"][:16], part.axis)
    assert list(pd.read_csv(tmp_path / "out" / "iv_002.csv").columns) == ["sweep", "bias_V", "lockin_S"]
    table = pd.read_csv(tmp_path / "out" / "sweeps.csv")
    assert list(table["sweep"]) == list(session.sweeps()["sweep"])


def test_numpy_reads_the_same_numbers_from_the_npz_without_pickles(session: Session, tmp_path: Path) -> None:
    export_npz(session, tmp_path / "out")
    part = session.sets("iv")[0]
    with np.load(tmp_path / "out" / "iv_001.npz", allow_pickle=False) as read:
        assert_array_equal(read["current_A"], part.current)
        assert_array_equal(read["bias_V"], part.axis)
        assert list(read["sweep"]) == part.names
        assert_array_equal(read["setpoint_current_A"], part.table["setpoint_current_A"])
    with np.load(tmp_path / "out" / "iv_002.npz", allow_pickle=False) as read:
        assert "lockin_S" in read
        assert "current_A" not in read


def test_a_spreadsheet_runs_nothing_from_the_metadata(session: Session, tmp_path: Path) -> None:
    """The characters that start a formula, as listed by OWASP, "CSV Injection": = + - @ tab carriage-return."""
    export_csv(session, tmp_path / "out")
    assert '"=cmd' not in (tmp_path / "out" / "sweeps.csv").read_text(encoding="utf-8").replace("'=", "")
    cells = ["=1", "+1", "-1", "@a", "\t=a", "\r=a", "\ta", " =1", "ok"]
    assert [inert(cell) for cell in cells] == ["'=1", "'+1", "'-1", "'@a", "' =a", "' =a", " a", "' =1", "ok"]
    assert [inert(f"{sign}1") for sign in "＝＋－＠"] == ["'＝1", "'＋1", "'－1", "'＠1"]


@pytest.mark.parametrize(
    "formula", ["=cmd()", " =cmd()", "@SUM(1)", "-2+cmd|' /C calc'!A0", "-2 +cmd|x!A0", "＝1", '"=cmd()']
)
@pytest.mark.parametrize("mark", [";", ","])
def test_no_formula_begins_where_another_country_splits_the_line(formula: str, mark: str) -> None:
    """The line is read with the other separator, by the standard library's reader."""
    cells = next(csv.reader([inert(f"a{mark}{formula}")], delimiter=mark))
    assert not any(cell.lstrip(' "').startswith(("=", "+", "-", "@", "＝", "＋", "－", "＠")) for cell in cells)


@pytest.mark.parametrize("text", ["from -2, -3 to 4 V", "0.1 V; -0.2 V, at 5 pA", "a;b", "x,y", "offset, +0.3 pA"])
def test_numbers_in_a_sentence_stay(text: str) -> None:
    assert inert(text) == text


@pytest.mark.parametrize(
    ("name", "safe"),
    [
        ("../../etc/passwd", "passwd"),
        ("..\\..\\boot.ini", "boot.ini"),
        ("C:evil.csv", "C_evil.csv"),
        ("..", "file"),
        ("", "file"),
        ("NUL.txt", "_NUL.txt"),
        ("com1", "_com1"),
        ("a\0b\n.csv", "a_b_.csv"),
        ("trailing. ", "trailing"),
        ("séance 金.csv", "séance 金.csv"),
    ],
)
def test_file_names_cannot_leave_the_folder(name: str, safe: str) -> None:
    assert safe_file_name(name) == safe


def test_names_from_a_hostile_session_stay_inside_and_apart(tmp_path: Path) -> None:
    session = Session.create(tmp_path / "s.h5")
    names = ["../x.csv", "a/x.csv", "X.CSV", "/x.csv"]
    session.add([replace(file_of(i), name=name) for i, name in enumerate(names)])
    paths = export_originals(session, tmp_path / "out")
    assert all(path.parent == tmp_path / "out" for path in paths)
    assert len({path.name.lower() for path in paths}) == 4
    assert [path.read_bytes() for path in paths] == [file_of(i).content for i in range(4)]


@pytest.mark.parametrize("export", [export_originals, export_csv, export_npz])
def test_nothing_is_overwritten_unless_asked_for(session: Session, tmp_path: Path, export) -> None:  # type: ignore[no-untyped-def]
    first = export(session, tmp_path / "out")
    first[-1].write_bytes(b"mine")
    with pytest.raises(SessionError, match=r"is there already. .* --force"):
        export(session, tmp_path / "out")
    assert first[-1].read_bytes() == b"mine"
    export(session, tmp_path / "out", force=True)
    assert first[-1].read_bytes() != b"mine"
    (tmp_path / "file").touch()
    with pytest.raises(SessionError, match="cannot be written"):
        export(session, tmp_path / "file")
