"""What several tests of this room start from."""

from __future__ import annotations

import pytest
from loaders.written import SWEEP

from sts.loaders import read_file


@pytest.fixture
def sweep(tmp_path):
    path = tmp_path / "heron_s1_r1.csv"
    path.write_text(SWEEP, encoding="utf-8")
    return read_file(path)
