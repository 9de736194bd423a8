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
def session(tmp_path_factory):
    path = tmp_path_factory.mktemp("demo") / "demo.h5"
    sts.import_files([DEMO / "iz", DEMO / "iv"], path, logbook=DEMO / "logbook.csv")
    return path


@pytest.fixture(scope="session")
def analysis(session):
    return sts.analyse(session)


@pytest.fixture
def copy(session, tmp_path):
    return sts.Session.open(shutil.copy(session, tmp_path / "copy.h5"))
