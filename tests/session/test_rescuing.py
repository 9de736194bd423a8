"""A damaged session: what is whole is saved, what is lost is said, and nothing damaged is taken for whole."""

from __future__ import annotations

from pathlib import Path

import h5py
import numpy as np
import pytest
from numpy.testing import assert_array_equal
from session.damaged import by_name, damage, message_of, rescued, spoiled, where, zero

from sts.session import Session, SessionError, rescue


def test_a_whole_session_is_saved_whole(measured: Session, tmp_path: Path) -> None:
    said = rescue(measured.path, tmp_path / "new.h5")
    new = Session.open(tmp_path / "new.h5")
    assert not any("Lost" in line for line in said)
    assert new.sweeps().equals(measured.sweeps())
    assert new.sources().equals(measured.sources())
    assert new.decisions().equals(measured.decisions())
    assert new.calibrations().equals(measured.calibrations())
    assert new.original("run2.csv") == measured.original("run2.csv")


def test_damaged_numbers_are_read_again_from_the_original(measured: Session, tmp_path: Path) -> None:
    at = where(measured, "iv_001/current") + 100

    def flip(content: bytearray) -> bytearray:
        content[at] ^= 0x40
        return content

    said = rescue(damage(measured, flip), tmp_path / "new.h5")
    assert any("iv_001: 12 sweeps are damaged" in line for line in said)
    assert any("3 more sweeps, read again from the original run3.csv" in line for line in said)
    found, wanted = by_name(Session(tmp_path / "new.h5")), by_name(measured)
    assert found.keys() == wanted.keys()
    for name, row in wanted.items():
        assert_array_equal(found[name], row)
    assert set(Session(tmp_path / "new.h5").sweeps()["tip"]) == {"heron"}


def test_a_damaged_original_is_named_and_its_sweeps_are_saved(measured: Session, tmp_path: Path) -> None:
    at = where(measured, "sources/content") + 50

    def flip(content: bytearray) -> bytearray:
        content[at : at + 4] = b"\0\0\0\0"
        return content

    said = rescue(damage(measured, flip), tmp_path / "new.h5")
    new = Session(tmp_path / "new.h5")
    assert any("Lost: the original of run0.csv" in line for line in said)
    assert by_name(new).keys() == by_name(measured).keys()
    with pytest.raises(SessionError, match="damaged or lost"):
        new.original("run0.csv")


@pytest.mark.parametrize("seed", range(10))
def test_a_sector_of_rubbish_anywhere_gives_no_false_number_and_no_traceback(
    measured: Session, tmp_path: Path, seed: int
) -> None:
    """512 bytes, as a disk loses them, at a random place."""
    rng = np.random.default_rng(seed)

    def spoil(content: bytearray) -> bytearray:
        at = int(rng.integers(0, len(content) - 512))
        content[at : at + 512] = rng.bytes(512)
        return content

    path = damage(measured, spoil)
    wanted = {row.tobytes() for row in by_name(measured).values()}
    for use in (Session(path).sweeps, Session(path).sets, Session(path).decisions):
        assert "\n" not in message_of(use)
    if not rescued(path, tmp_path / "new.h5"):
        return
    new = Session.open(tmp_path / "new.h5")
    assert {row.tobytes() for row in by_name(new).values()} <= wanted
    assert set(new.sweeps()["tip"]) <= {"heron"}


def test_nothing_is_overwritten_and_rubbish_gives_one_line(measured: Session, tmp_path: Path) -> None:
    with pytest.raises(SessionError, match="exists already"):
        rescue(measured.path, measured.path)
    with pytest.raises(SessionError, match="no such file to rescue"):
        rescue(tmp_path / "no.h5", tmp_path / "new.h5")
    (tmp_path / "rubbish.h5").write_bytes(b"rubbish" * 1000)
    with pytest.raises(SessionError, match="nothing could be saved"):
        rescue(tmp_path / "rubbish.h5", tmp_path / "new.h5")
    assert not (tmp_path / "new.h5").exists()
    assert not [p for p in tmp_path.iterdir() if p.name.endswith(".part")]


def test_sweeps_that_are_lost_for_good_are_named(labelled: Session, tmp_path: Path) -> None:
    def change(file: h5py.File) -> None:
        zero("entry/iv_001/bias")(file)
        zero("entry/sources/content")(file)

    lost = [line for line in rescue(spoiled(labelled, change), tmp_path / "new.h5") if line.startswith("Lost")]
    names = labelled.sweeps()["sweep"].tolist()
    assert lost == [
        *(f"Lost: the original of run{i}.csv." for i in range(4)),
        *(f"Lost: the numbers of {', '.join(names[3 * i : 3 * i + 3])}." for i in range(4)),
        "Lost: all sweeps; only what stands beside them was saved. 'sts export NEW.h5 originals' writes the files imported.",
    ]
    assert len(Session(tmp_path / "new.h5").decisions()) == 1


def test_what_a_killed_rescue_left_is_removed_by_the_next(measured: Session, tmp_path: Path) -> None:
    left = tmp_path / ".new.h5.rescue-abc"
    left.mkdir()
    (left / "copy.h5").write_bytes(b"half")
    rescue(measured.path, tmp_path / "new.h5")
    assert not left.exists()
