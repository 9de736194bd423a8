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
from importing import thursday

import sts
from sts.analysis import Analysis, TipRecord

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "scripts"))  # the validation studies


def pytest_addoption(parser: pytest.Parser) -> None:
    """Add ``--renew``."""
    parser.addoption("--renew", action="store_true", help="keep results anew instead of comparing (tests/keeping.py)")


def pytest_collection_finish() -> None:
    """Look for circles of objects less often: with all that is loaded it takes a tenth of the time of drawing and tables."""
    gc.freeze()
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


@pytest.fixture(scope="session")
def month(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """The sessions of an invented month."""
    return months.month(tmp_path_factory.mktemp("month"))


@pytest.fixture(scope="session")
def tip_record(month: list[Path]) -> TipRecord:
    """The record of the tips of that month."""
    return sts.tip_record(month, beside=False)


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
