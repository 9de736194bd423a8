"""Sessions under review: the demo's, imported once and copied for each test, and small ones."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest

import sts
from sts.review import Desk

DEMO = Path(__file__).parents[2] / "data" / "demo"


@pytest.fixture(scope="session")
def _demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("review") / "demo.h5"
    sts.import_files([DEMO / "iz", DEMO / "iv"], path, logbook=DEMO / "logbook.csv")
    return path


@pytest.fixture(scope="session")
def looked_at(_demo: Path) -> Desk:
    """A desk on the demo that no test changes, not by looking either."""
    return Desk(_demo, read_only=True)


@pytest.fixture(scope="session")
def shown_desk(_demo: Path) -> Desk:
    """A desk on the demo for pages, which look at what they show."""
    return Desk(_demo, read_only=True)


@pytest.fixture
def demo(_demo: Path, tmp_path: Path) -> Path:
    """A copy of the demo's session."""
    return Path(shutil.copy(_demo, tmp_path / "demo.h5"))


@pytest.fixture
def small(tmp_path: Path) -> Path:
    """Six I(z) sweeps of one tip at two sites and four I(V) sweeps."""
    path = tmp_path / "small.h5"
    made = sts.simulate_iz(barrier_eV=4.0, sweeps=6, bench=sts.simulate.Bench(white_A=1e-12), seed=1)
    np.savez(tmp_path / "heron.npz", height_m=made.sweeps.axis, current_A=made.sweeps.current)
    spectra = sts.simulate_iv(sweeps=2, bench=sts.simulate.Bench(white_A=1e-12), seed=2).sweeps
    np.savez(tmp_path / "layer.npz", bias_V=spectra.axis, current_A=spectra.current)
    sts.import_files([tmp_path / "heron.npz", tmp_path / "layer.npz"], path, values={"tip": "heron", "sample": "gold"})
    return path
