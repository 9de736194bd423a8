"""Sessions that the commands work on."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from cli.calling import DEMO, SWEEP
from sharing import measured_once, shared

from sts.cli import main


@pytest.fixture(autouse=True)
def _measured_once(monkeypatch: pytest.MonkeyPatch) -> None:
    measured_once(monkeypatch)


@pytest.fixture(scope="session")
def _demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two tips and spectra of the demo."""

    def made(folder: Path) -> Path:
        path = folder / "demo.h5"
        files = [str(p) for tip in ("heron", "sandpiper") for p in sorted((DEMO / "iz").glob(f"{tip}_*"))]
        files += [str(p) for p in sorted((DEMO / "iv").iterdir()) if p.stem not in ("layer_200pA", "layer_400pA")]
        assert main(["import", *files, "--into", str(path), "--logbook", str(DEMO / "logbook.csv")]) == 0
        return path

    return shared(tmp_path_factory, "demo-of-two-tips", made)


@pytest.fixture(scope="module")
def demo(_demo: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of it that the tests of a module share."""
    return Path(shutil.copy(_demo, tmp_path_factory.mktemp("session") / "demo.h5"))


@pytest.fixture
def session(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Path:
    """Three sweeps of one tip, for one test."""
    for number in range(3):
        text = f"# note: {number}\n{SWEEP}".replace(",4\n", f",{4 + number}\n")
        (tmp_path / f"a{number}.csv").write_text(text, encoding="utf-8", newline="\n")
    (tmp_path / "log.csv").write_text("file,tip\n*,heron\n", encoding="utf-8")
    files = [str(tmp_path / f"a{number}.csv") for number in range(3)]
    assert main(["import", *files, "--into", str(tmp_path / "s.h5"), "--logbook", str(tmp_path / "log.csv")]) == 0
    capsys.readouterr()
    return tmp_path / "s.h5"
