"""The review page in a real browser (headless Chromium): from the command to the page, from a key to the picture.

All of it at 218 (the demo), 5,000 and 50,000 sweeps (invented; height sweeps of 128 samples, 256 at 50,000):

- ``page_218_s``: from the command to a page that can be used (list, curves, answer), less the time to import the library.
- ``next_218_ms``: median from the key for the next sweep to the frame that shows it; ``decide_218_ms``: from the key that
  leaves a sweep out to the frame in which the page says that it is kept and shows the new answer.
- ``drag_per_s``: redraws of the fit while an end of its window is dragged.
- ``server_50000_MB``: the most resident memory of the server.

Where there is no Chromium everything is NaN, and the first line printed says so.
"""

from __future__ import annotations

import math
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
from _timing import Bound, shortest

import sts
from benchmarks.decisions import DEMO, _many
from sts.loaders import LoadedFile
from sts.session import Session
from sts.simulate import Bench, HeightRamp, simulate_iz

TITLE = "Review: the page in a browser"
WANTED: dict[str, Bound] = {
    "page_218_s": 2.0,
    "page_5000_s": 4.0,
    "page_50000_s": 10.0,
    "next_218_ms": 100.0,
    "next_5000_ms": 100.0,
    "decide_218_ms": 300.0,
    "decide_5000_ms": 1000.0,
    "drag_per_s": (10.0, math.inf),
    "server_50000_MB": 400.0,
}
BOUNDS: dict[str, Bound] = {}  # `WANTED`, once a quiet machine has kept figures within them
STEPS = 20  # sweeps that are opened one after the other
IN_PAGE = """
window.found = (selector, root = document) => {  // within shadow roots, too
  for (const one of root.querySelectorAll("*")) {
    if (one.matches(selector)) { return one; }
    const inside = one.shadowRoot && found(selector, one.shadowRoot);
    if (inside) { return inside; }
  }
  return null;
};
window.told = selector => { const one = found(selector); return one ? one.textContent : ""; };
window.frame = () => new Promise(done => requestAnimationFrame(done));
window.until = async (wanted, key) => {  // milliseconds from a key to the frame after which something is seen
  const started = performance.now();
  document.body.dispatchEvent(new KeyboardEvent("keydown", {key, bubbles: true, composed: true}));
  while (!wanted()) { await frame(); if (performance.now() - started > 30000) { throw Error("never seen"); } }
  await frame();
  return performance.now() - started;
};
"""
USABLE = "() => window.found && found('#sweep')  && told('.sweep-name') && found('.slick-row') && told('.state').includes('Ready')"


def run(quick: bool = False) -> dict[str, float]:
    """Measure on the demo, and on 5,000 and 50,000 sweeps or a tenth of that."""
    chromium = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if chromium is None:
        print("The page is not measured: there is no Chromium (a system package) on this machine.")
        return dict.fromkeys(WANTED, math.nan)
    from playwright.sync_api import sync_playwright

    library = shortest(lambda: subprocess.run([sys.executable, "-c", "import sts.analysis"], check=True), 3)
    found: dict[str, float] = {}
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, args=["--no-sandbox", "--disable-gpu"])
        for count, session in _sessions(Path(folder), quick):
            with _page(session, browser) as (page, seconds, server):
                found[f"page_{count}_s"] = seconds - library
                found |= {f"{name}_{count}_ms": value for name, value in _keys(page).items()}
                if count == 218:
                    found["drag_per_s"] = _dragging(page)
                found[f"server_{count}_MB"] = _peak_MB(server)
        browser.close()
    return found


def _sessions(folder: Path, quick: bool) -> Iterator[tuple[int, Path]]:
    demo, large, largest = (folder / f"{name}.h5" for name in ("demo", "large", "largest"))
    sts.import_files([DEMO / "iz", DEMO / "iv"], demo, logbook=DEMO / "logbook.csv")
    yield 218, demo
    _many(large, 500 if quick else 5000)
    yield 5000, large
    largest_session(largest, 5000 if quick else 50_000)
    yield 50_000, largest


def largest_session(path: Path, sweeps: int, tips: int = 10, site: int = 20) -> None:
    """A session of invented height sweeps of 256 samples; so many of each site."""
    files = []
    for tip in range(tips):
        made = simulate_iz(
            barrier_eV=4.4, height=(0.0, 0.36e-9, 256), sweeps=sweeps // tips // 2,
            bench=Bench(white_A=1e-12, gap_noise=0.01), seed=tip, tip=f"tip {tip}",
            ramp=HeightRamp(directions=("retract", "approach")),
        ).sweeps  # fmt: skip
        count = len(made)
        names = [f"tip{tip}_{i}" for i in range(count)]
        table = made.table.assign(site=(np.arange(count) // site).astype(str), sweep=names)
        files.append(LoadedFile(f"{tip}.npz", str(tip).encode(), "npy", "", (made.with_table(table),)))
    Session.create(path).add(files)


@contextmanager
def _page(session: Path, browser: Any) -> Iterator[tuple[Any, float, int]]:
    """A page that can be used, how long that took from the command [s], and the number of the server's process."""
    command = [sys.executable, "-m", "sts", "review", str(session), "--no-browser", "--port", "0"]
    environment = os.environ | {"PYTHONPATH": str(Path(sts.__file__).parents[1])}
    page = browser.new_page(viewport={"width": 1280, "height": 800})
    page.add_init_script(IN_PAGE)
    started = time.perf_counter()
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=environment) as process:
        assert process.stdout is not None
        page.goto(process.stdout.readline().strip())
        page.wait_for_function(USABLE, timeout=300_000)
        yield page, time.perf_counter() - started, process.pid
        page.close()
        process.terminate()


def _keys(page: Any) -> dict[str, float]:
    """Median times of the keys for the next sweep, and for a decision, each on the sweep that is next [ms]."""
    opened, decided = [], []
    for number in range(STEPS):
        page.evaluate("before = told('.sweep-name')")
        opened.append(page.evaluate("until(() => told('.sweep-name') !== before, 'j')"))
        page.wait_for_timeout(150)
        if number % 4 == 0:
            kept = "until(() => told('.state').startsWith('Kept in the session: %s'), '%s')"
            page.evaluate(
                "(() => { const field = Bokeh.documents[0].get_model_by_name('reason'); field.value = 'noisy'; })()"
            )
            page.wait_for_timeout(100)
            decided.append(page.evaluate(kept % ("omit", "x")))
            page.wait_for_timeout(300)
            decided.append(page.evaluate(kept % ("undo", "u")))
            page.wait_for_timeout(300)
    return {"next": statistics.median(opened), "decide": statistics.median(decided)}


def _dragging(page: Any) -> float:
    """Open an I(z) sweep and drag the slider of its window for two seconds; how often the fit was drawn, per second."""
    while not page.evaluate("Bokeh.documents[0].get_model_by_name('window').visible"):
        page.keyboard.press("j")
        page.wait_for_timeout(300)
    handle = page.locator(".noUi-handle-upper").first
    handle.scroll_into_view_if_needed()
    box = handle.bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.evaluate("""() => { window.drawn = 0; let last = null; const fit = Bokeh.documents[0].get_model_by_name('fit');
        const watch = () => { if (fit.data !== last) { last = fit.data; drawn += 1; }
            requestAnimationFrame(watch); }; watch(); }""")
    page.mouse.move(x, y)
    page.mouse.down()
    started = time.perf_counter()
    step = 0
    while time.perf_counter() - started < 2:
        step += 1
        page.mouse.move(x - 10 - 60 * abs(math.sin(step / 15)), y)
        page.wait_for_timeout(10)
    seconds = time.perf_counter() - started
    drawn = page.evaluate("drawn") - 1
    page.mouse.up()
    return float(drawn / seconds)


def _peak_MB(process: int) -> float:
    """The most memory a process has had [MB]; NaN where it is not known."""
    status = Path(f"/proc/{process}/status")  # Linux only
    lines = status.read_text(encoding="utf-8").splitlines() if status.exists() else []
    found = [float(line.split()[1]) / 1024 for line in lines if line.startswith("VmHWM")]
    return found[0] if found else math.nan
