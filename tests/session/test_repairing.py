"""A file that HDF5 does not open any more is made to open: its end, its start, what leads to its parts."""

from __future__ import annotations

from pathlib import Path

import h5py
import numpy as np
import pytest
from numpy.testing import assert_array_equal
from session.damaged import by_name, damage, rescued

from sts.session import Session, SessionError, rescue
from sts.session.repairing import lookup3


@pytest.mark.parametrize("rows", [1, 50, 3000])
def test_the_checksum_of_the_start_is_that_of_hdf5(tmp_path: Path, rows: int) -> None:
    """HDF5 itself writes it behind the first 44 bytes."""
    with h5py.File(tmp_path / "any.h5", "w", libver=("v108", "v108")) as file:
        file["numbers"] = np.arange(rows)
    start = (tmp_path / "any.h5").read_bytes()[:48]
    assert lookup3(start[:44]) == int.from_bytes(start[44:], "little")


@pytest.mark.parametrize("size", [8, 96, 512])
def test_an_overwritten_start_is_replaced(measured: Session, tmp_path: Path, size: int) -> None:
    path = damage(measured, lambda content: bytes(size) + content[size:])
    with pytest.raises(SessionError, match=r"if it was one .* 'sts rescue damaged.h5"):
        Session.open(path)
    said = rescue(path, tmp_path / "new.h5")
    assert any("The start of the file was damaged" in line for line in said)
    assert by_name(Session(tmp_path / "new.h5")).keys() == by_name(measured).keys()


@pytest.mark.parametrize("share", [0.999, 0.9, 0.7, 0.5])
def test_a_file_cut_short_gives_what_is_there_and_nothing_false(
    measured: Session, tmp_path: Path, share: float
) -> None:
    path = damage(measured, lambda content: content[: int(share * len(content))])
    with pytest.raises(SessionError, match="cut short"):
        Session.open(path)
    wanted = by_name(measured)
    said = rescued(path, tmp_path / "new.h5")
    if not said:
        assert not (tmp_path / "new.h5").exists()
        return
    assert any("too early" in line for line in said)
    for name, row in by_name(Session(tmp_path / "new.h5")).items():
        assert_array_equal(row, wanted[name])


def test_parts_that_nothing_leads_to_are_put_together_again(labelled: Session, tmp_path: Path) -> None:
    """The group that holds all others is damaged: one byte of its header, which HDF5 then refuses."""

    def spoil(content: bytearray) -> bytearray:
        with h5py.File(labelled.path) as file:
            at = h5py.h5o.get_info(file["entry"].id).addr
        content[at + 12] ^= 4
        return content

    path = damage(labelled, spoil)
    with pytest.raises(SessionError, match="is damaged"):
        Session.open(path)
    said = rescue(path, tmp_path / "new.h5")
    assert any("put together again" in line for line in said)
    assert not [line for line in said if line.startswith("Lost")]
    new = Session(tmp_path / "new.h5")
    assert new.sweeps().equals(labelled.sweeps())
    assert new.decisions().equals(labelled.decisions())
    assert by_name(new).keys() == by_name(labelled).keys()
