"""What is known of sweeps is corrected after import: in a log, with the old values, and to be taken back."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from session.examples import before_seals

from sts.importing import annotate_session, import_files
from sts.loaders import UnreadableFile
from sts.session import Session, SessionError, annotate, merge, rescue, take_back


def sweep(name: str) -> str:
    """A file of its own numbers: the same numbers in another file would be a copy."""
    rows = "".join(f"{v},{v * v * v + v + 10 * ord(name[0]) + int(name[1]):.4f}\n" for v in np.linspace(-1, 1, 9))
    return f"# sample: gold {name}\nV (V),I (nA)\n{rows}"


@pytest.fixture
def path(tmp_path: Path) -> Path:
    (tmp_path / "in").mkdir()
    for name in ("a1", "a2", "b1"):
        (tmp_path / "in" / f"{name}.csv").write_text(sweep(name), encoding="utf-8")
    (tmp_path / "old.csv").write_text("file,tip,set-point current (pA)\na*.csv,heron,100\n", encoding="utf-8")
    import_files([tmp_path / "in"], tmp_path / "s.h5", logbook=tmp_path / "old.csv")
    (tmp_path / "new.csv").write_text(
        "file,tip,set-point current (pA),made by,cleaned\na2.csv,egret,50,etched,1\nb*.csv,heron,,cut,2\nc*.csv,ibis,,,\n",
        encoding="utf-8",
    )
    return tmp_path / "s.h5"


def _known(path: Path, column: str) -> list[Any]:
    return list(Session(path).sweeps().sort_values("sweep")[column])


def test_what_is_unknown_is_filled_in_and_what_disagrees_is_said_and_stays(path: Path) -> None:
    numbers = Session(path).sets()[0].current
    done = annotate_session(path, path.with_name("new.csv"))
    assert _known(path, "tip") == ["heron", "heron", "heron"]
    assert _known(path, "made_by") == ["", "etched", "cut"]
    np.testing.assert_array_equal(_known(path, "cleaned"), [np.nan, 1, 2])
    assert [c for c in done.conflicts if "old.csv says tip is 'heron'" in c and "says 'egret'; old.csv was taken" in c]
    assert done.unmatched == ["line 4, 'c*.csv'"]
    np.testing.assert_array_equal(Session(path).sets()[0].current, numbers)
    assert Session(path).original("a2.csv").startswith(b"# sample: gold a2")


def test_the_logbooks_word_is_taken_if_asked_and_every_cell_keeps_its_old_value(path: Path) -> None:
    done = annotate_session(path, path.with_name("new.csv"), prefer_logbook=True)
    assert _known(path, "tip") == ["heron", "egret", "heron"]
    np.testing.assert_allclose(_known(path, "setpoint_current_A"), [1e-10, 5e-11, np.nan])
    log = Session(path).annotations()
    assert len(log) == len(done.changes) == 7
    row = log[(log["sweep"] == "a2") & (log["column"] == "tip")].iloc[0]
    assert (row["before"], row["after"], row["source"], row["action"]) == ("heron", "egret", "new.csv", "annotate")
    assert annotate_session(path, path.with_name("new.csv"), prefer_logbook=True).changes.empty  # nothing twice


def test_taken_back_the_table_is_as_it_was_and_the_log_has_both(path: Path) -> None:
    before = Session(path).sweeps()
    annotate_session(path, path.with_name("new.csv"), prefer_logbook=True)
    take_back(path)
    after = Session(path).sweeps()
    for column in before.columns:
        assert before[column].equals(after[column]), column
    assert (after["made_by"] == "").all()
    assert list(Session(path).annotations()["action"]) == ["annotate"] * 7 + ["undo"] * 7
    with pytest.raises(SessionError, match="no annotation to take back"):
        take_back(path)


def test_annotations_are_taken_back_one_after_the_other(path: Path) -> None:
    start = _known(path, "tip")
    annotate_session(path, path.with_name("new.csv"), prefer_logbook=True)
    path.with_name("third.csv").write_text("file,tip\n*,stork\n", encoding="utf-8")
    annotate_session(path, path.with_name("third.csv"), prefer_logbook=True)
    assert _known(path, "tip") == ["stork"] * 3
    take_back(path)
    assert _known(path, "tip") == ["heron", "egret", "heron"]
    take_back(path)
    assert _known(path, "tip") == start


def test_names_and_files_cannot_be_changed_and_a_bad_logbook_changes_nothing(path: Path) -> None:
    before = path.read_bytes()
    with pytest.raises(SessionError, match="cannot be changed"):
        annotate(path, lambda table, kind: table.assign(sweep=table["sweep"] + "x"), source="test")
    path.with_name("bad.csv").write_text("tip\nheron\n", encoding="utf-8")
    with pytest.raises(UnreadableFile, match="no column 'file' or 'sweep'"):
        annotate_session(path, path.with_name("bad.csv"))
    assert path.read_bytes() == before


def test_merging_and_rescuing_bring_the_history_along(path: Path, tmp_path: Path) -> None:
    annotate_session(path, path.with_name("new.csv"), prefer_logbook=True)
    Session.create(tmp_path / "other.h5")
    merge(tmp_path / "other.h5", path)
    rescue(path, tmp_path / "saved.h5")
    for copy in ("other.h5", "saved.h5"):
        assert len(Session(tmp_path / copy).annotations()) == 7
        take_back(tmp_path / copy)
        assert _known(tmp_path / copy, "tip") == ["heron", "heron", ""]


def test_a_session_made_before_there_were_annotations_gets_them(path: Path) -> None:
    with before_seals(path) as file:
        del file["entry/annotations"]
    assert Session(path).annotations().empty
    annotate_session(path, path.with_name("new.csv"))
    assert len(Session(path).annotations()) == 5
