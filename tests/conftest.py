"""What the tests share: the folder of measured data, results kept as text, long studies left out unless asked for."""

from __future__ import annotations

import gc
import os
import sys
from collections.abc import Callable, Iterable
from pathlib import Path

import keeping
import months
import pytest
import sharing
from importing import thursday
from sharing import shared

import sts
from sts.analysis import Analysis, Measured, TipRecord

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "scripts"))  # the validation studies


def pytest_addoption(parser: pytest.Parser) -> None:
    """Add ``--renew``."""
    parser.addoption("--renew", action="store_true", help="keep results anew instead of comparing (tests/keeping.py)")


def pytest_collection() -> None:
    """Look for no circles of objects while modules are loaded: what they hold stays."""
    gc.disable()


def pytest_collection_finish() -> None:
    """Look for circles of objects less often: with all that is loaded it takes a tenth of the time of drawing and tables."""
    gc.freeze()
    gc.enable()
    gc.set_threshold(50_000, 5, 10)


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave out the long validation studies unless ``-m study`` asks for them."""
    if config.getoption("-m"):
        return
    studies = [item for item in items if item.get_closest_marker("study")]
    if studies:
        config.hook.pytest_deselected(items=studies)
        items[:] = [item for item in items if not item.get_closest_marker("study")]


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Say last how many tests had no browser, and how to have them."""
    skipped = [str(report.longrepr) for report in terminalreporter.stats.get("skipped", [])]
    without = [
        text for text in skipped if any(word in text for word in ("playwright", "Chromium", "chromium", "bokeh"))
    ]
    if without:
        terminalreporter.write_line(
            f"{len(without)} skipped (a module of tests counts once) for want of a browser or Bokeh: install Chromium as a "
            "system package (apt install chromium), and requirements/dev.txt for playwright and Bokeh."
        )


@pytest.fixture(scope="session")
def opendata() -> Path:
    """The folder of measured data (``STS_OPENDATA``, else beside the repository); skipped where absent."""
    folder = Path(os.environ.get("STS_OPENDATA", ROOT.parent / "shared" / "opendata"))
    if not folder.is_dir():
        pytest.skip(f"measured data are not here ({folder.name}); set STS_OPENDATA to their folder")
    return folder


@pytest.fixture
def unprinted(monkeypatch: pytest.MonkeyPatch) -> None:
    """Figures of results stand empty on page and disk, for tests of anything else."""
    sharing.unprinted(monkeypatch)


@pytest.fixture(scope="session")
def month(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """The sessions of an invented month."""
    return shared(tmp_path_factory, "month", months.month)


@pytest.fixture(scope="session")
def tip_record(month: list[Path], tmp_path_factory: pytest.TempPathFactory) -> TipRecord:
    """The record of the tips of that month."""
    return shared(tmp_path_factory, "tip-record", lambda _: sts.tip_record(month, beside=False))


@pytest.fixture(scope="session")
def demo_session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo in vacuum, imported; copy it to change it."""

    def made(folder: Path) -> Path:
        demo = ROOT / "data" / "demo"
        sts.import_files([demo / "iz", demo / "iv"], folder / "demo.h5", logbook=demo / "logbook.csv")
        return folder / "demo.h5"

    return shared(tmp_path_factory, "demo", made)


@pytest.fixture(scope="session")
def demo_measured(demo_session: Path, tmp_path_factory: pytest.TempPathFactory) -> Measured:
    """Its sweeps, measured."""
    return shared(tmp_path_factory, "demo-measured", lambda _: sts.measure(demo_session))


@pytest.fixture(scope="session")
def demo_analysis(demo_session: Path, demo_measured: Measured, tmp_path_factory: pytest.TempPathFactory) -> Analysis:
    """Its whole analysis."""
    decisions = sts.Session.open(demo_session).decisions()
    return shared(tmp_path_factory, "demo-analysis", lambda _: demo_measured.summarise(decisions))


@pytest.fixture(scope="session")
def air_session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo in air, imported; copy it to change it."""

    def made(folder: Path) -> Path:
        air, rows = ROOT / "data" / "demo-air", ["z (m), I (A)", "V (V), I (A)"]
        sts.import_files([air], folder / "air.h5", rows=rows, logbook=air / "logbook.csv")
        return folder / "air.h5"

    return shared(tmp_path_factory, "air", made)


@pytest.fixture(scope="session")
def air_analysis(air_session: Path, tmp_path_factory: pytest.TempPathFactory) -> Analysis:
    """Its whole analysis."""
    return shared(tmp_path_factory, "air-analysis", lambda _: sts.analyse(air_session))


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """The folder of an invented Thursday."""
    return thursday.afternoon(tmp_path / "thursday")


@pytest.fixture(scope="session")
def invented() -> Analysis:
    """One result of invented sweeps of both kinds."""
    from figures import example

    return example.analysis()


@pytest.fixture
def unchanged(request: pytest.FixtureRequest) -> Callable[[Iterable[str]], None]:
    """Compares lines with those kept for this test, in the folder ``kept`` beside it."""
    path = request.path.parent / "kept" / f"{request.node.name.removeprefix('test_')}.txt"
    return lambda lines: keeping.compare(path, lines, renew=request.config.getoption("--renew"))
