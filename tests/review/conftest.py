"""Sessions under review: the demo's, imported and measured once and copied for each test, and small ones."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest

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


@pytest.fixture
def demo(_demo: Path, _measured: Measured, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of the demo's session; a desk in this process is given its sweeps as they were measured once.

    No decision matters to what is measured.
    """
    anew = standing.measure

    def measure(session: Session, plan: Plan, **kwargs: Any) -> Measured:
        same = plan == Plan() and session.calibrations().empty and session.sources().equals(_measured.sources)
        return _measured if same else anew(session, plan, **kwargs)

    monkeypatch.setattr(standing, "measure", measure)
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
