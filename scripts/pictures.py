"""Make the pictures of README and ``docs/pictures`` anew: ``python scripts/pictures.py [NAME …] [--check]``. Two need Chromium.

``pages``: the report's first screen and the review page, of the demo, in a real browser; ``figures``: three figures of that report;
``wrong``: what goes wrong in ``docs/how-to-be-wrong.md``, simulated. All of them if none is named.
``--check`` changes nothing; status 1: one looks otherwise now.
"""

from __future__ import annotations

import importlib
import io
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from _environment import ROOT, run

PICTURES = ROOT / "docs" / "pictures"
# Of the report's figures: the name it has there, and here.
FIGURES = {"barrier_by_tip": "barrier-by-tip", "didv_5": "didv", "normalised_4": "normalised"}
WIDTH, HEIGHT = 1280, 860  # of the browser's window [px]
ALIKE = (
    0.03  # root mean square over blocks of 8 × 8 pixels, of 1: letters are drawn a little differently by other versions
)
Made = Iterator[tuple[str, bytes]]  # place below `PICTURES`, PNG


def keep(picture: bytes, path: Path) -> None:
    """Write a picture with a palette of 128 colours at most: a quarter of the bytes.

    Parameters
    ----------
    picture : bytes
        A PNG.
    path : path
    """
    from PIL import Image

    path.parent.mkdir(parents=True, exist_ok=True)
    Image.open(io.BytesIO(picture)).convert("RGB").quantize(128, dither=Image.Dither.NONE).save(path, optimize=True)


def alike(picture: bytes, path: Path) -> bool:
    """Whether a picture looks as the one that is kept.

    Parameters
    ----------
    picture : bytes
        A PNG.
    path : path
    """
    import numpy as np
    from PIL import Image

    if not path.exists():
        return False
    now, then = (Image.open(one).convert("RGB") for one in (io.BytesIO(picture), path))
    if now.size != then.size:
        return False
    coarse = [np.asarray(one.reduce(8), float) / 255 for one in (now, then)]
    return float(np.sqrt(np.mean((coarse[0] - coarse[1]) ** 2))) < ALIKE


def _demo(folder: Path, *, figures: bool = False) -> Path:
    """The demo's session, and its report in ``results`` beside it."""
    import sts
    from sts.plan import ReportPlan

    session, demo = folder / "session.h5", ROOT / "data" / "demo"
    sts.import_files([demo / "iz", demo / "iv"], session, logbook=demo / "logbook.csv")
    plan = sts.Plan(report=ReportPlan(figure_formats=["png"])) if figures else sts.Plan()
    sts.write_results(sts.analyse(session, plan), folder / "results")
    return session


def pages(folder: Path) -> Made:
    """The report as it opens and the review page with its first doubtful sweep."""
    sys.path.insert(0, str(ROOT / "tests"))
    chromium: Any = importlib.import_module("review.chromium")
    session = _demo(folder)
    with chromium.started() as browser:
        shown = browser.new_page(viewport={"width": WIDTH, "height": HEIGHT}, color_scheme="light", offline=True)
        shown.goto((folder / "results" / "report.html").as_uri(), timeout=120_000)
        yield "report-page.png", shown.screenshot()
        with chromium.served(session) as address:
            page = chromium.opened(browser, address, WIDTH, HEIGHT)
            page.wait_for_timeout(3000)  # the plots are drawn
            yield "review-page.png", page.screenshot()


def figures(folder: Path) -> Made:
    """Three figures of the demo's report, as the tutorial shows them."""
    _demo(folder, figures=True)
    for name, shown in FIGURES.items():
        yield f"{shown}.png", (folder / "results" / "figures" / f"{name}.png").read_bytes()


def wrong(folder: Path) -> Made:
    """Ten ways to be wrong, 420 pixels wide each."""
    from _wrong import PANELS
    from matplotlib.figure import Figure

    for name, draw in PANELS.items():
        figure = Figure(figsize=(4.2, 2.6), layout="constrained")
        draw(figure.subplots(), folder / name)
        drawn = io.BytesIO()
        figure.savefig(drawn, format="png", dpi=110)
        yield f"wrong/{name}.png", drawn.getvalue()


WHAT: dict[str, Callable[[Path], Made]] = {"pages": pages, "figures": figures, "wrong": wrong}


def main(arguments: list[str]) -> int:
    """Make those named, or all."""
    if "--inside" not in arguments:
        return run(__file__, "--inside", *arguments, lock="dev")
    check = "--check" in arguments
    named = [word for word in arguments if not word.startswith("--")] or list(WHAT)
    unknown = [word for word in named if word not in WHAT]
    if unknown:
        print(f"No pictures are called {', '.join(unknown)}; use {', '.join(WHAT)}.", file=sys.stderr)
        return 2
    stale = 0
    for name in named:
        with tempfile.TemporaryDirectory() as folder:
            for place, picture in WHAT[name](Path(folder)):
                path = PICTURES / place
                if check:
                    same = alike(picture, path)
                    stale += not same
                    print(f"{place}: {'as it is kept' if same else 'LOOKS OTHERWISE NOW'}", flush=True)
                else:
                    keep(picture, path)
                    print(f"{place}: {path.stat().st_size / 1000:.0f} kB", flush=True)
    return 1 if stale else 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
