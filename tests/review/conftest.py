"""Sessions under review: the demo's, imported and measured once and copied for each test, and small ones."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from sharing import shared

import sts
from sts.analysis import Measured
from sts.plan import Plan
from sts.review import Desk, standing
from sts.session import Session

DEMO = Path(__file__).parents[2] / "data" / "demo"


@pytest.fixture(scope="session")
def _demo(demo_session: Path) -> Path:
    return demo_session


@pytest.fixture(scope="session")
def looked_at(_demo: Path) -> Desk:
    """A desk on the demo that no test changes, not by looking either."""
    return Desk(_demo, read_only=True)


@pytest.fixture(scope="session")
def shown_desk(_demo: Path) -> Desk:
    """A desk on the demo for pages, which look at what they show."""
    return Desk(_demo, read_only=True)


@pytest.fixture(scope="session")
def _measured(demo_measured: Measured) -> Measured:
    return demo_measured


@pytest.fixture(scope="session")
def _small(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Six I(z) sweeps of one tip at two sites and four I(V) sweeps; copy it to change it."""

    def made(folder: Path) -> Path:
        quiet = sts.simulate.Bench(white_A=1e-12)
        ramps = sts.simulate_iz(barrier_eV=4.0, sweeps=6, bench=quiet, seed=1).sweeps
        np.savez(folder / "heron.npz", height_m=ramps.axis, current_A=ramps.current)
        spectra = sts.simulate_iv(sweeps=2, bench=quiet, seed=2).sweeps
        np.savez(folder / "layer.npz", bias_V=spectra.axis, current_A=spectra.current)
        files, labels = [folder / "heron.npz", folder / "layer.npz"], {"tip": "heron", "sample": "gold"}
        sts.import_files(files, folder / "small.h5", values=labels)
        return folder / "small.h5"

    return shared(tmp_path_factory, "small-review", made)


@pytest.fixture(scope="session")
def _small_measured(_small: Path, tmp_path_factory: pytest.TempPathFactory) -> Measured:
    return shared(tmp_path_factory, "small-review-measured", lambda _: sts.measure(_small))


def _copied(session: Path, measured: Measured, folder: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of a session; a desk in this process is given its sweeps as they were measured once.

    No decision matters to what is measured.
    """
    anew = standing.measure
    labels = sts.Session.open(session).sweeps()

    def measure(session: Session, plan: Plan, **kwargs: Any) -> Measured:
        same = (
            plan == Plan()
            and session.calibrations().empty
            and session.sources().equals(measured.sources)
            and session.sweeps().equals(labels)
        )
        return measured if same else anew(session, plan, **kwargs)

    monkeypatch.setattr(standing, "measure", measure)
    return Path(shutil.copy(session, folder / session.name))


@pytest.fixture
def demo(_demo: Path, _measured: Measured, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    return _copied(_demo, _measured, tmp_path, monkeypatch)


@pytest.fixture
def small(_small: Path, _small_measured: Measured, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    return _copied(_small, _small_measured, tmp_path, monkeypatch)
