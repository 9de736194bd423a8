"""Every command and every Python block of README and docs runs; the reference is that of the code; links lead somewhere."""

from __future__ import annotations

import csv
import os
import re
import shlex
import shutil
from contextlib import chdir
from dataclasses import dataclass
from pathlib import Path

import matplotlib as mpl
import matplotlib.pyplot as plt
import numpy as np
import pytest
from sharing import measured_once, shared, unprinted

import docs
from sts.analysis.tables import lockin_columns, source_columns
from sts.cli import main
from sts.spectra.didv_source import DidvSource
from sts.spectra.lockin.comparison import LockinCalibration, Ratio

ROOT = Path(__file__).resolve().parents[2]
PAGES = [ROOT / "README.md", *sorted(p for p in (ROOT / "docs").rglob("*.md") if "validation" not in p.parts)]
ORDER = ["README.md", "tutorial.md"]
FENCE = re.compile(r"^( *)(?:<!-- (.*?) -->\s*\n *)?```(\w*)\n(.*?)^\1```", re.MULTILINE | re.DOTALL)
NOT_RUN = 2  # blocks marked `<!-- not run: reason -->`


@dataclass(frozen=True)
class Block:
    page: str
    note: str
    language: str
    text: str


def blocks() -> list[Block]:
    """All fenced blocks, README and tutorial first; those of the generated pages are shown, not run."""
    found = []
    pages = [page for page in PAGES if page.parent.name != "reference"]
    for page in sorted(pages, key=lambda p: (ORDER.index(p.name) if p.name in ORDER else len(ORDER), str(p))):
        for indent, note, language, text in FENCE.findall(page.read_text(encoding="utf-8")):
            lines = "".join(line.removeprefix(indent) for line in text.splitlines(keepends=True))
            found.append(Block(page.name, note, language, lines))
    return found


def commands(block: Block) -> list[str]:
    """The lines of a block that are commands of this program."""
    return [line for line in block.text.splitlines() if line.startswith("sts ")] if block.language == "" else []


FIRST = tuple(ORDER)  # run together: the tutorial goes on with the README's session
SESSION = (  # what they leave for the other pages
    "sts import data/demo/iz data/demo/iv --logbook data/demo/logbook.csv --into session.h5",
    'sts calibrate session.h5 height --measured "0.242 nm" --measured-se "0.004 nm" --known au111',
)


def runs(block: Block) -> bool:
    """Whether there is something to run in a block."""
    return not block.note.startswith("not run:") and bool(commands(block) or block.language == "python")


RUN = [FIRST, *((page,) for page in dict.fromkeys(b.page for b in blocks() if runs(b)) if page not in FIRST)]


@pytest.fixture(scope="session")
def begun(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the demo sweeps of the first two repeats, also under the names of the README, half of those in air,
    and the session that README and tutorial make of them."""

    def made(folder: Path) -> Path:
        skip = shutil.ignore_patterns("*_r3*", "*_r4*", "*_r5*", "gold_200pA*", "layer_200pA*")
        shutil.copytree(ROOT / "data" / "demo", folder / "data" / "demo", ignore=skip)
        third = shutil.ignore_patterns("*3_spec*", "*_spec3*", "*_spec4*", "*_iv[4-7]*")
        shutil.copytree(ROOT / "data" / "demo-air", folder / "data" / "demo-air", ignore=third)
        for kind in ("iz", "iv"):
            shutil.copytree(folder / "data" / "demo" / kind, folder / "sweeps", dirs_exist_ok=True)
        shutil.copyfile(folder / "data" / "demo" / "logbook.csv", folder / "logbook.csv")
        there = [line for block in blocks() if block.page in FIRST for line in commands(block)]
        with chdir(folder):
            for line in SESSION:
                assert line in there
                assert main(shlex.split(line)[1:]) == 0
        return folder

    return shared(tmp_path_factory, "documents", made)


@pytest.fixture
def bench(begun: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of that folder, and in it."""
    folder = tmp_path / "bench"
    shutil.copytree(begun, folder)
    measured_once(monkeypatch)
    monkeypatch.chdir(folder)
    return folder


@pytest.mark.parametrize("pages", RUN, ids=lambda pages: pages[0])
def test_every_command_and_python_block_runs(
    pages: tuple[str, ...], bench: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    mpl.use("Agg")
    if pages == FIRST:
        (bench / "session.h5").unlink()  # which they make themselves
    else:
        unprinted(monkeypatch)
    done: set[str] = set()
    spaces: dict[str, dict[str, object]] = {}  # one namespace a page
    for block in blocks():
        if block.page not in pages or block.note.startswith("not run:"):
            continue
        if block.note.startswith("file:"):
            (bench / block.note.removeprefix("file:").strip()).write_text(block.text, encoding="utf-8")
        elif block.language == "python":
            exec(compile(block.text, block.page, "exec"), spaces.setdefault(block.page, {}))
        for line in commands(block):
            if line not in done:
                status = main(shlex.split(line, comments=True)[1:])
                assert status == 0, f"{block.page}: {line}\n{capsys.readouterr().err}"
                done.add(line)
    plt.close("all")
    if "gallery.md" in pages:
        _compare_gallery(bench / "gallery")
    # The tables that were written show whether the reference of their columns is right.
    for folder in ("results", "compared"):
        for path in (bench / folder).glob("*.csv"):
            header = next(csv.reader(path.read_text(encoding="utf-8").splitlines()))
            columns = docs.TABLES[path.name]
            assert header[: len(columns)] == list(columns), f"{path.name}: describe its columns in scripts/docs.py"
    assert (bench / "results").exists() == (pages == FIRST)
    assert (bench / "compared").exists() == ("compare-tips.md" in pages)


def test_the_pages_have_their_commands_and_their_python() -> None:
    run = [block for block in blocks() if runs(block)]
    assert len({line for block in run for line in commands(block)}) >= 18, "the test does not see the commands"
    assert sum(block.language == "python" for block in run) >= 6, "the test does not see the Python"


def test_columns_of_a_lock_in_are_described() -> None:
    """The documented commands read no lock-in, so its columns are asked for here."""
    made = Ratio.around(1.0, 0.01, 2.0)
    found = LockinCalibration(1.0, 0.01, 0.98, 1.02, 0.0, 0.1, "S", agrees=True, verdict="", sweeps=3, end_to_end=made)
    assert list(lockin_columns(found)) == list(docs.LOCKIN)
    assert list(source_columns(DidvSource("current", ""))) == list(docs.DIDV_FROM)


def _compare_gallery(made: Path) -> None:
    """The pictures of the gallery are those that its lines draw. STS_WRITE_BASELINE=1 keeps them anew."""
    kept = ROOT / "docs" / "pictures" / "gallery"
    shown = set(
        re.findall(r"pictures/gallery/([\w-]+\.png)", (ROOT / "docs" / "gallery.md").read_text(encoding="utf-8"))
    )
    assert {path.name for path in made.glob("*.png")} == shown == {path.name for path in kept.iterdir()}
    for name in sorted(shown):
        if os.environ.get("STS_WRITE_BASELINE"):
            shutil.copyfile(made / name, kept / name)
        now, then = (plt.imread(folder / name)[..., :3] for folder in (made, kept))
        assert now.shape == then.shape, name
        off = float(np.sqrt(np.mean((_coarse(now) - _coarse(then)) ** 2)))
        assert off < 0.03, f"{name} is drawn otherwise now: look at it, then keep it anew"


def _coarse(picture: np.ndarray) -> np.ndarray:
    """Means over 8 × 8 pixels: letters are drawn a little differently by other versions."""
    high, wide = (size // 8 for size in picture.shape[:2])
    return np.asarray(picture[: 8 * high, : 8 * wide].reshape(high, 8, wide, 8, 3).mean((1, 3)))


def test_the_pictures_of_the_gallery_stay_small() -> None:
    assert sum(path.stat().st_size for path in (ROOT / "docs" / "pictures" / "gallery").iterdir()) < 400_000


def test_blocks_that_are_not_run_are_counted() -> None:
    assert sum(block.note.startswith("not run:") for block in blocks()) == NOT_RUN


def test_the_reference_is_that_of_the_code() -> None:
    for name, text in docs.pages().items():
        page = ROOT / "docs" / "reference" / name
        assert page.read_text(encoding="utf-8") == text, f"{name} is stale: run 'python scripts/docs.py'"


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(ROOT)))
def test_links_and_pictures_lead_somewhere(page: Path) -> None:
    for target in re.findall(r"\]\(([^)\s]+)\)", page.read_text(encoding="utf-8")):
        if not target.startswith(("http", "#")):
            assert (page.parent / target.split("#")[0]).exists(), target


def test_every_page_is_reached_from_the_index() -> None:
    index = (ROOT / "docs" / "index.md").read_text(encoding="utf-8")
    linked = {(ROOT / "docs" / target).resolve() for target in re.findall(r"\]\(([^)\s]+\.md)\)", index)}
    inside = {page for page in PAGES if page.is_relative_to(ROOT / "docs") and page.name != "index.md"}
    assert inside <= linked


def test_the_pictures_stay_small() -> None:
    assert sum(path.stat().st_size for path in (ROOT / "docs" / "pictures").iterdir()) < 400_000


def test_a_log_fit_is_as_far_off_as_the_page_says() -> None:
    """docs/why-not-a-log-fit.md: 25 % low by 1 % noise, 14 % low by an offset of 0.1 %; straight lines, none of our code."""
    x = np.linspace(0, 3 * np.log(10), 200)  # three decades, in decay lengths: the true slope is 1
    current = np.exp(-x)

    def off(y: np.ndarray) -> float:
        positive = y > 0
        return float(np.polyfit(x[positive], np.log(y[positive]), 1)[0] ** 2 - 1)

    generator = np.random.default_rng(1)
    noisy = [off(current + 0.01 * generator.standard_normal(x.size)) for _ in range(300)]
    assert np.mean(noisy) == pytest.approx(-0.25, abs=0.01)
    assert off(current + 1e-3) == pytest.approx(-0.14, abs=0.005)


@pytest.mark.parametrize(("zero_A", "off"), [(5e-12, -0.16), (-5e-12, 0.23)])
def test_an_unknown_zero_turns_a_barrier_as_the_page_says(zero_A, off):
    """docs/first-afternoon-in-air.md: 1.3 decades below 300 pA; a straight line, none of our code."""
    x = np.linspace(0, 1.3 * np.log(10), 256)
    slope = np.polyfit(x, np.log(3e-10 * np.exp(-x) + zero_A), 1)[0]
    assert slope**2 - 1 == pytest.approx(off, abs=0.005)
