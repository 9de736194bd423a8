"""Two sessions become one: everything of both is there once, with its decisions."""

from __future__ import annotations

from pathlib import Path

import months
import numpy as np
import pytest
from numpy.testing import assert_array_equal
from session.examples import file_of, sweep_set

from sts.comparing.calibration import Calibration
from sts.selection import standing_calibration
from sts.session import Session, SessionError, identities, layout, merge


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


def test_a_calibration_comes_with_the_sweeps_of_its_session_and_for_no_other(tmp_path: Path) -> None:
    """It would change the barriers of sweeps it was not made for."""
    scales = {factor: Calibration(factor, 0.01, "step", measured=0.0, known=0.0) for factor in (0.8, 0.9, 1.05)}
    a, b = session_of(tmp_path / "a.h5", 1), session_of(tmp_path / "b.h5", 1, 2)
    b.add_calibration("height", scales[1.05])
    result = merge(a.path, b.path)
    assert "height calibration (1.05 ± 0.01) taken over for its own sweeps" in result.notes[0]
    (conflict,) = result.conflicts  # about the file that both hold
    assert "its files that were here already keep no factor" in conflict
    assert a.calibrations()[["session", "factor"]].values.tolist() == [["b", 1.05]]
    merge(a.path, b.path)
    assert len(a.calibrations()) == 1
    a.add_calibration("height", scales[0.9])  # of all
    assert a.calibrations()["session"].tolist() == ["b", "", "b"]
    a.add_calibration("height", scales[0.8], session="b")
    assert standing_calibration(a.calibrations(), "height", "b")["factor"] == 0.8
    with pytest.raises(SessionError, match=r"no session 'c' was merged into it\. Merged were: b"):
        a.add_calibration("height", scales[0.8], session="c")


def test_several_are_merged_into_a_new_one_with_a_line_for_each(tmp_path: Path) -> None:
    parts = [session_of(tmp_path / f"{name}.h5", *numbers) for name, numbers in (("mo", (1, 2)), ("tu", (2, 3)))]
    before = [part.path.read_bytes() for part in parts]
    result = merge(tmp_path / "all.h5", *(part.path for part in parts), create=True)
    assert result.notes == [
        "mo.h5: 2 files with 4 sweeps added (day mo).",
        "tu.h5: 1 file with 2 sweeps added (day tu); 1 file there already.",
    ]
    whole = Session.open(tmp_path / "all.h5")
    assert dict(zip(whole.sources()["name"], whole.sources()["session"], strict=True)) == {
        "file1.csv": "mo", "file2.csv": "mo", "file3.csv": "tu"
    }  # fmt: skip
    assert set(whole.days().values()) == {"mo", "tu"}
    assert [part.path.read_bytes() for part in parts] == before
    assert merge(tmp_path / "all.h5", parts[0].path).notes == ["mo.h5: nothing new; 2 files there already."]


def test_two_sessions_of_one_name_stay_two_and_one_that_grew_stays_one(tmp_path: Path) -> None:
    for folder in ("monday", "tuesday"):
        (tmp_path / folder).mkdir()
    a, b = session_of(tmp_path / "monday" / "s.h5", 1), session_of(tmp_path / "tuesday" / "s.h5", 2)
    whole = tmp_path / "all.h5"
    merge(whole, a.path, b.path, create=True)
    assert Session(whole).sources()["session"].tolist() == ["monday/s", "tuesday/s"]
    other = tmp_path / "other.h5"
    merge(other, a.path, create=True)
    merge(other, b.path)
    a.add([file_of(3)])
    merge(other, a.path)
    assert Session(other).sources()["session"].tolist() == ["s", "s-2", "s"]
    merge(whole, other)  # what came by another way keeps its name
    assert set(Session(whole).sources()["session"]) == {"monday/s", "tuesday/s", "s"}


def test_a_merge_that_fails_leaves_nothing(tmp_path: Path) -> None:
    a = session_of(tmp_path / "a.h5", 1)
    (tmp_path / "bad.h5").write_bytes(b"no session")
    before = a.path.read_bytes()
    for into in (tmp_path / "all.h5", a.path):
        with pytest.raises(SessionError, match=r"bad\.h5: is not a session"):
            merge(into, session_of(tmp_path / f"{into.stem}-b.h5", 2).path, tmp_path / "bad.h5", create=True)
    assert not (tmp_path / "all.h5").exists()
    assert a.path.read_bytes() == before


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


def test_identities_are_the_same_in_every_session_that_holds_the_sweep(tmp_path):
    months.session(tmp_path / "a.h5", {"heron": 4.4}, seed=1)
    months.session(tmp_path / "b.h5", {"stork": 4.2}, seed=2)
    alone = identities(tmp_path / "b.h5")
    merge(tmp_path / "a.h5", tmp_path / "b.h5")
    both = identities(tmp_path / "a.h5")
    assert both["tip"].tolist() == ["heron"] * 6 + ["stork"] * 6
    known = ["sha256", "place", "tip", "kind"]
    assert both[known].tail(6).values.tolist() == alone[known].values.tolist()
    assert both[["sha256", "place"]].drop_duplicates().shape == (12, 2)


def test_an_empty_session_has_no_identities(tmp_path):
    Session.create(tmp_path / "a.h5")
    assert identities(tmp_path / "a.h5").empty
