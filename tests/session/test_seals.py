"""What describes the numbers is guarded: a flipped bit in a name, a unit, a list of chunks is found before it is believed."""

from __future__ import annotations

from collections.abc import Callable

import h5py
import numpy as np
import pytest
from session.examples import file_of, sweep_set

from sts.comparing.calibration import Calibration
from sts.session import Session, SessionError


@pytest.fixture
def filled(session: Session) -> Session:
    session.add([file_of(1), file_of(2, sweep_set(["long"], comment=["x" * 700]))])
    session.mark(["f1_a"], "omit", "tip touched")
    session.add_calibration("height", Calibration(1.1, 0.1, "step", measured=1.0, known=1.1))
    return session


def read_all(session: Session) -> None:
    session.sets()
    for log in (session.sources, session.decisions, session.calibrations, session.annotations, session.looked):
        log()
    for name in session.sources()["name"]:
        session.original(name)


def rename(group: str, old: str, new: str) -> Callable[[h5py.File], None]:
    return lambda file: file[group].move(old, new)


def set_attribute(place: str, name: str, value: object) -> Callable[[h5py.File], None]:
    def change(file: h5py.File) -> None:
        file[place].attrs[name] = value

    return change


def replace_number(file: h5py.File) -> None:
    """A reason of the same length, with the checksum of the old one."""
    why = file["entry/decisions/why"]
    why[...] = np.array([b"tip tOuched"], why.dtype)


@pytest.mark.parametrize(
    "change",
    [
        rename("entry", "iv_001", "kv_001"),
        rename("entry", "looked", "lookee"),
        rename("entry/iv_001", "tip", "tiq"),
        set_attribute("entry/iv_001/current", "units", "B"),
        set_attribute("entry/iv_001", "signal", "Current"),
        set_attribute("entry", "default", "iv_002"),
        set_attribute("/", "creator", "stt"),
        set_attribute("entry/calibrations/factor", "crc32", 1),
        lambda file: file["entry/iv_001"].attrs.__delitem__("columns"),
        lambda file: file["entry/decisions/why"].attrs.__delitem__("crc32"),
        lambda file: file["entry/iv_001/current"].resize(1, axis=0),
        lambda file: file.__delitem__("entry/seals"),
        lambda file: file["entry"].create_group("iv_007"),
        replace_number,
    ],
)
def test_what_is_not_as_it_was_written_is_never_believed(filled: Session, change: Callable[[h5py.File], None]) -> None:
    read_all(filled)
    with h5py.File(filled.path, "r+") as file:
        change(file)
    before = filled.path.read_bytes()
    with pytest.raises(SessionError, match=r"is damaged.*'sts rescue"):
        read_all(filled)
    with pytest.raises(SessionError, match=r"is damaged.*'sts rescue"):  # nor does it get new checksums
        filled.mark(["f1_b"], "omit", "noisy")
    assert filled.path.read_bytes() == before


def test_a_long_text_has_a_checksum(filled: Session) -> None:
    content = bytearray(filled.path.read_bytes())
    content[content.index(b"x" * 700) + 300] ^= 1
    filled.path.write_bytes(content)
    with pytest.raises(SessionError, match="comment does not have its checksum"):
        filled.sets()


def test_a_block_of_currents_that_cannot_be_found_is_not_read_as_nothing(filled: Session) -> None:
    """One bit in the list of blocks; HDF5 gives the fill value for a block that it does not find."""
    content = bytearray(filled.path.read_bytes())
    found = 0
    for at in range(len(content) - 200):
        if (
            content[at : at + 6] == b"TREE\x01\x00"
        ):  # a list of blocks: 24 bytes, then the first key: size, mask, offsets
            spoilt = bytearray(content)
            spoilt[at + 24 + 8 + 17] ^= 1
            filled.path.write_bytes(spoilt)
            with pytest.raises(SessionError, match="is damaged"):
                read_all(filled)
            found += 1
    assert found
