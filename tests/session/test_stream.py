"""A write that fails is noted, and hidden from HDF5, which could not close the file else."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from sts.session.stream import Stream


def test_a_failing_write_is_noted_and_claims_to_have_worked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    stream = Stream(tmp_path / "x.bin", "xb+")
    assert (stream.write(b"abcd"), stream.failure) == (4, None)
    reader = Stream(tmp_path / "x.bin", "rb")  # as a full disk: nothing can be written
    assert reader.write(b"efgh") == 4
    assert isinstance(reader.failure, OSError)
    stream.seek(0)
    stream.write(b"A")
    stream.to_disk()
    stream.close()
    assert (tmp_path / "x.bin").read_bytes() == b"Abcd"
    assert os.path.getsize(tmp_path / "x.bin") == 4
