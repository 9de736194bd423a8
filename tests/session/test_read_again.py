"""Sweeps are read again from the original bytes of their file, whatever its name."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from session.damaged import spoiled, zero

from sts.loaders import read_file
from sts.session import Session, rescue


@pytest.mark.parametrize("name", ["..", ".", "a" * 300 + ".csv", "con/../x.csv"])
def test_a_file_of_any_name_is_read_again(measured: Session, tmp_path: Path, name: str) -> None:
    """Names come from other systems and from attackers; none leaves the folder of the rescue."""
    values = read_file(tmp_path / "run0.csv")
    odd = Session.create(tmp_path / "odd.h5")
    odd.add([replace(values, name=name)])
    rescue(spoiled(odd, zero("entry/iv_001/bias")), tmp_path / "new.h5")
    assert len(Session(tmp_path / "new.h5").sweeps()) == 3
    assert {p.name for p in tmp_path.iterdir() if p.is_dir()} == set()
