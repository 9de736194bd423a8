"""Two sessions become one: everything of both is there once, with its decisions."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_array_equal
from session.examples import file_of, sweep_set

from sts.session import Session, SessionError, layout, merge


def session_of(path: Path, *numbers: int) -> Session:
    session = Session.create(path)
    session.add([file_of(number) for number in numbers])
    return session


def by_content(session: Session) -> dict[bytes, str]:
    return {row.tobytes(): name for p in session.sets() for name, row in zip(p.names, p.current, strict=True)}


def test_both_sessions_are_in_the_merged_one_once(tmp_path: Path) -> None:
    a, b = session_of(tmp_path / "a.h5", 1, 2), session_of(tmp_path / "b.h5", 2, 3)
    wanted = by_content(a).keys() | by_content(b).keys()
    other = b.path.read_bytes()
    result = merge(a.path, b.path)
    assert (result.added, result.repeated, result.sweeps) == (["file3.csv"], ["file2.csv"], 2)
    assert by_content(a).keys() == wanted
    assert a.original("file3.csv") == file_of(3).content
    assert b.path.read_bytes() == other
    again = merge(a.path, b.path)
    assert (again.added, again.sweeps) == ([], 0)
    assert by_content(a).keys() == wanted
    assert list(a.sweeps()["source"]) == ["file1.csv"] * 2 + ["file2.csv"] * 2 + ["file3.csv"] * 2


def test_decisions_follow_their_sweeps_also_where_names_are_taken(tmp_path: Path) -> None:
    a, b = Session.create(tmp_path / "a.h5"), Session.create(tmp_path / "b.h5")
    mine, theirs, both = sweep_set(["x"], seed=1), sweep_set(["x"], seed=2), sweep_set(["y"], seed=3)
    a.add([file_of(1, mine, name="run.csv"), file_of(3, both)])
    b.add([file_of(2, theirs, name="run.csv"), file_of(3, both)])
    b.mark(["x"], "omit", "theirs touched")
    b.mark(["y"], "omit", "looked odd")
    result = merge(a.path, b.path)
    assert by_content(a)[theirs.current[0].tobytes()] == "x-2"
    assert a.current_decisions() == {"x-2": ("omit", "theirs touched"), "y": ("omit", "looked odd")}
    assert set(a.sources()["name"]) == {"run.csv", "file3.csv", "run-2.csv"}
    assert any("'x' is 'x-2'" in note for note in result.notes)
    assert any("'run-2.csv'" in note for note in result.notes)


def test_where_both_decided_ours_stands_and_the_conflict_is_said(tmp_path: Path) -> None:
    a, b = session_of(tmp_path / "a.h5", 1), session_of(tmp_path / "b.h5", 1)
    a.mark(["f1_a"], "keep", "fine")
    b.mark(["f1_a"], "omit", "bad")
    (conflict,) = merge(a.path, b.path).conflicts
    assert "f1_a: b.h5 says omit ('bad'), here it is keep ('fine'), which stands" in conflict
    assert a.current_decisions() == {"f1_a": ("keep", "fine")}


def test_a_calibration_is_never_taken_over_in_silence(tmp_path: Path) -> None:
    """It would change the barriers of sweeps it was not made for."""
    a, b = session_of(tmp_path / "a.h5", 1), session_of(tmp_path / "b.h5", 2)
    b.add_calibration("height", factor=1.05, factor_se=0.01, measured=1.0, known=1.05, source="step")
    (conflict,) = merge(a.path, b.path).conflicts
    assert "height calibration (factor 1.05 ± 0.01), not taken over" in conflict
    assert a.calibrations().empty


def test_large_sets_are_merged_in_blocks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(layout, "BLOCK_BYTES", 16 * 8 * 50)
    part = sweep_set([f"s{i}" for i in range(333)], lockin_unit="S")
    b = Session.create(tmp_path / "b.h5")
    b.add([file_of(1), file_of(2, part)])
    a = session_of(tmp_path / "a.h5", 3)
    assert merge(a.path, b.path).sweeps == 335
    (found,) = a.sets(sweeps=part.names)
    assert found.lockin is not None
    assert part.lockin is not None
    assert_array_equal(found.lockin, part.lockin)
    assert np.isnan(found.current).all()


def test_a_session_cannot_be_merged_with_itself_or_with_nothing(tmp_path: Path) -> None:
    a = session_of(tmp_path / "a.h5", 1)
    with pytest.raises(SessionError, match="with itself"):
        merge(a.path, tmp_path / "." / "a.h5")
    for pair in ((a.path, tmp_path / "no.h5"), (tmp_path / "no.h5", a.path)):
        with pytest.raises(SessionError, match="there is no such session"):
            merge(*pair)
    assert not (tmp_path / "no.h5").exists()
