"""Files of which the libraries die: invented sweeps, a few bytes of them changed. `tests/test_processes.py` provokes each way by
itself."""

from __future__ import annotations

import io
import time

import h5py
import numpy as np
import pytest
import scipy.io

from sts import import_files
from sts.loaders import UnreadableFile, guarded, read_file

V = np.linspace(-1, 1, 24)


def crashing() -> bytes:
    """A MATLAB file in which one flipped bit makes an array sparse: its parts are then taken for what they are not."""
    stream = io.BytesIO()
    scipy.io.savemat(stream, {"run": {"bias_V": V, "current_A": V * 1e-9}, "tip": "heron"})
    content = bytearray(stream.getvalue())
    place = content.index(V.tobytes()) - 40
    assert content[place : place + 16] == bytes(
        [6, 0, 0, 0, 0, 0, 0, 0, 5, 0, 0, 0, 8, 0, 0, 0]
    )  # class double, then its sides
    content[place], content[place + 8] = 5, 6
    return bytes(content)


def endless() -> bytes:
    """An HDF5 file whose heap of texts has lost the size of its free space: the library looks for what follows it in place.

    HDF5 File Format Specification 3.0, III.E: a heap has 16 bytes of header, then objects of 16 bytes and their data; the
    object 0 is the free space.
    """
    stream = io.BytesIO()
    with h5py.File(stream, "w", libver=("earliest", "latest")) as file:
        file["bias_V"], file["current_A"] = V, V * 1e-9
        file["current_A"].attrs["tip"] = "heron"
    content = bytearray(stream.getvalue())
    heap = content.index(b"GCOL")
    free = heap + 16 + 16 + len(b"heron\0\0\0")
    assert content[free : free + 2] == bytes(2)
    assert int.from_bytes(content[free + 8 : free + 16], "little") == heap + 4096 - free
    content[free + 8 : free + 16] = bytes(8)
    return bytes(content)


def test_an_import_goes_on_after_files_that_end_their_reader(tmp_path, monkeypatch):
    monkeypatch.setattr(guarded.GUARD, "seconds", 1.0)
    (tmp_path / "a.mat").write_bytes(crashing())
    (tmp_path / "b.h5").write_bytes(endless())
    with h5py.File(tmp_path / "c.h5", "w") as file:
        file["bias_V"], file["current_A"] = V, V * 1e-9
    result = import_files([tmp_path], tmp_path.parent / "bench.h5")
    assert result.sweeps == 1
    assert len(result.left_out) == 2
    assert "a.mat: ended the process that read it" in str(result.left_out)
    assert "b.h5: was not read within 1 s" in str(result.left_out)
    began = time.monotonic()
    with pytest.raises(UnreadableFile, match="not read within"):
        read_file(tmp_path / "b.h5")
    assert time.monotonic() - began < 1.0
