"""Adding files: what is there already, names made unique, one change for all of them."""

from __future__ import annotations

import weakref
from collections.abc import Iterator

import pytest
from session.examples import file_of, sweep_set

from sts.loaders import LoadedFile
from sts.session import Session, layout
from sts.sweeps import SweepSet


def test_the_same_file_twice_adds_nothing_and_says_so(session: Session) -> None:
    session.add([file_of(1)])
    before = session.path.read_bytes()
    result = session.add([file_of(1), file_of(1, name="copy.csv")])
    assert (result.added, result.repeated, result.sweeps) == ([], ["file1.csv", "copy.csv"], 0)
    assert any("'file1.csv'" in note for note in result.notes)
    assert session.path.read_bytes() == before


def test_the_same_bytes_read_with_another_recipe_are_other_sweeps_and_this_is_said(session: Session) -> None:
    session.add([file_of(1)])
    result = session.add([file_of(1, recipe="bias_sign = -1")])
    assert result.sweeps == 2
    assert any("another recipe" in note for note in result.notes)
    assert list(session.sweeps()["sweep"]) == ["f1_a", "f1_b", "f1_a-2", "f1_b-2"]


def test_a_file_that_fails_leaves_the_session_as_it_was(session: Session) -> None:
    session.add([file_of(1)])
    before = session.path.read_bytes()

    def files() -> Iterator[LoadedFile]:
        yield file_of(2)
        raise ZeroDivisionError("the reader broke")

    with pytest.raises(ZeroDivisionError):
        session.add(files())
    assert session.path.read_bytes() == before
    assert [p.name for p in session.path.parent.iterdir() if p.name.endswith(".part")] == []


def test_files_are_stored_one_by_one_not_collected(session: Session, monkeypatch: pytest.MonkeyPatch) -> None:
    """Memory is bounded by blocks: what one file held is let go before the third is asked for."""
    monkeypatch.setattr(layout, "BLOCK_BYTES", 8 * 16)
    alive: list[weakref.ref[SweepSet]] = []

    def files() -> Iterator[LoadedFile]:
        for number in range(6):
            part = sweep_set([f"s{number}"], seed=number)
            alive.append(weakref.ref(part))
            yield file_of(number, part)
            del part
            assert sum(ref() is not None for ref in alive) <= 2

    assert session.add(files()).sweeps == 6
