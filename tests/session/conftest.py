"""An empty session, what most tests begin with."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from sts.comparing.calibration import Calibration
from sts.importing import annotate_session
from sts.loaders import read_file
from sts.session import Session


@pytest.fixture
def session(tmp_path: Path) -> Session:
    return Session.create(tmp_path / "bench.h5")


@pytest.fixture
def measured(tmp_path: Path) -> Session:
    """Sweeps read from real text files, so that they can be read again from their originals."""
    session = Session.create(tmp_path / "bench.h5")
    files = []
    for number in range(4):
        values = np.random.default_rng(number).normal(scale=1e-10, size=(64, 3))
        bias = np.linspace(-0.5, 0.5, 64)
        lines = ["# tip: heron", "V (V),I (A) 1,I (A) 2,I (A) 3"]
        lines += [",".join(f"{x:.12g}" for x in (v, *row)) for v, row in zip(bias, values, strict=True)]
        (tmp_path / f"run{number}.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
        files.append(read_file(tmp_path / f"run{number}.csv"))
    assert sum(len(part) for part in files[0].sets) == 3
    session.add(files)
    session.mark([session.sweeps()["sweep"].iloc[0]], "omit", "tip touched")
    session.add_calibration("height", Calibration(1.02, 0.01, "step", measured=1.0, known=1.02))
    return session


@pytest.fixture
def labelled(measured: Session) -> Session:
    """The session with what a logbook said and a site that stands in no file."""
    logbook = measured.path.with_name("log.csv")
    logbook.write_text("file;site;comment\nrun0.csv;terrace;calm\nrun1.csv;step;" + "x" * 700 + "\n", encoding="utf-8")
    annotate_session(measured.path, logbook)
    return measured
