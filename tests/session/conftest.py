"""An empty session, what most tests begin with."""

from __future__ import annotations

from pathlib import Path

import pytest

from sts.session import Session


@pytest.fixture
def session(tmp_path: Path) -> Session:
    return Session.create(tmp_path / "bench.h5")
