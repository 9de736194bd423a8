"""The invented demo, imported and analysed once."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

import sts

DEMO = Path(__file__).resolve().parents[2] / "data" / "demo"


@pytest.fixture(scope="session")
def truth():
    return json.loads((DEMO / "truth.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="session")
def session(demo_session):
    return demo_session


@pytest.fixture(scope="session")
def analysis(demo_analysis):
    return demo_analysis


@pytest.fixture
def copy(session, tmp_path):
    return sts.Session.open(shutil.copy(session, tmp_path / "copy.h5"))
