"""The review page in a real browser (headless Chromium): from the command to the page, from a key to the picture.

All of it at 218 (the demo), 5,000 and 50,000 sweeps (invented; height sweeps of 128 samples, 256 at 50,000):

- ``page_218_s``: from the command to a page that can be used (list, a sweep with a fit of its site, decisions), less the time to
  import the library; ``answer_218_s``: to the frame that shows the answer, all sweeps measured.
- ``next_218_ms``: median from the key for the next sweep to the frame that shows it; ``decide_218_ms``: from the key that
  leaves a sweep out to the frame in which the page says that it is kept and shows the new answer; ``empty_218_ms``: from a key
  that asks for a reason only to the frame with these words, so the way to the server and back. The ratios ``next_218_over_empty``
  and ``decide_218_over_empty`` say the same on another machine. ``next_218_cpu_ms``, ``decide_218_cpu_ms``: the processor's time
  of the server alone.
- ``drag_per_s``: redraws of the fit while an end of its window is dragged.
- ``server_50000_MB``: the most resident memory of the server; ``measuring_50000_MB``: of the process that measures beside it, and
  ends then.

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
    "page_218_s": 2.0,  # seconds and milliseconds are those of two quiet cores
    "page_5000_s": 4.0,
    "page_50000_s": 10.0,
    "next_218_ms": 100.0,
    "next_5000_ms": 100.0,
    "decide_218_ms": 300.0,
    "decide_5000_ms": 1000.0,
    "drag_per_s": (10.0, math.inf),
    "server_50000_MB": 400.0,
}
BOUNDS: dict[str, Bound] = WANTED
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
const seen = {};  // looking for an element takes as long as a frame
window.told = selector => {
  if (!(seen[selector] && seen[selector].isConnected)) { seen[selector] = found(selector); }
  return seen[selector] ? seen[selector].textContent : "";
};
window.frame = () => new Promise(done => requestAnimationFrame(done));
window.until = async (wanted, key) => {  // milliseconds from a key to the frame after which something is seen
  const started = performance.now();
  document.body.dispatchEvent(new KeyboardEvent("keydown", {key, bubbles: true, composed: true}));
  while (!wanted()) { await frame(); if (performance.now() - started > 30000) { throw Error("never seen"); } }
  await frame();
  return performance.now() - started;
};
"""
USABLE = "() => window.found && told('.sweep-name') && found('.slick-row') && /Ready|measured/.test(told('.state'))"
ANSWER = "/are measured|Ready[.]$/.test(told('.state'))"
TICK = os.sysconf("SC_CLK_TCK") if hasattr(os, "sysconf") else 1


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
            with _page(session, browser) as (page, started, server):
                found[f"page_{count}_s"] = time.perf_counter() - started - library
                found[f"measuring_{count}_MB"] = _until_answer(page, server)
                found[f"answer_{count}_s"] = time.perf_counter() - started - library
                times = _keys(page, server)
                found |= {f"{name}_{count}_ms": value for name, value in times.items()}
                found |= {f"{name}_{count}_over_empty": times[name] / times["empty"] for name in ("next", "decide")}
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
    """A page that can be used, when the command was given, and the number of the server's process."""
    command = [sys.executable, "-m", "sts", "review", str(session), "--no-browser", "--port", "0"]
    environment = os.environ | {"PYTHONPATH": str(Path(sts.__file__).parents[1])}
    page = browser.new_page(viewport={"width": 1280, "height": 800})
    page.add_init_script(IN_PAGE)
    started = time.perf_counter()
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=environment) as process:
        assert process.stdout is not None
        page.goto(process.stdout.readline().strip())
        page.wait_for_function(USABLE, timeout=300_000)
        yield page, started, process.pid
        page.close()
        process.terminate()


def _until_answer(page: Any, server: int) -> float:
    """Wait until the page shows the answer; the most memory that the server's other process has had [MB]."""
    most = math.nan
    while not page.evaluate(ANSWER):
        children = Path(f"/proc/{server}/task/{server}/children")  # Linux only
        numbers = [int(number) for number in children.read_text().split()] if children.exists() else []
        most = max([most, *map(_peak_MB, numbers)], key=lambda MB: -1 if math.isnan(MB) else MB)
        page.wait_for_timeout(50)
    return most


def _keys(page: Any, server: int) -> dict[str, float]:
    """Median times of the keys for the next sweep, and for a decision, each on the sweep that is next [ms]."""
    times: dict[str, list[float]] = {name: [] for name in ("next", "next_cpu", "decide", "decide_cpu", "empty")}

    def timed(name: str, key: str, seen: str) -> None:
        before = _cpu_ms(server)
        times[name].append(page.evaluate(f"until(() => {seen}, '{key}')"))
        page.wait_for_timeout(150)
        times.get(f"{name}_cpu", []).append(_cpu_ms(server) - before)

    def give(field: str, words: str) -> None:
        page.evaluate(f"Bokeh.documents[0].get_model_by_name('{field}').value = '{words}'; null")
        page.wait_for_timeout(100)

    for number in range(STEPS):
        page.evaluate("before = told('.sweep-name')")
        timed("next", "j", "told('.sweep-name') !== before")
        if number % 4 == 0:
            give("reason", "noisy")
            timed("decide", "x", "told('.state').startsWith('Kept in the session: omit')")
            timed("decide", "u", "told('.state').startsWith('Kept in the session: undo')")
            give("offered", "in my own words")
            timed("empty", "x", "told('.state').startsWith('A reason is missing')")
    return {name: float(statistics.mean(t) if "cpu" in name else statistics.median(t)) for name, t in times.items()}


def _cpu_ms(process: int) -> float:
    """The processor's time that a process has had [ms], in steps of some milliseconds; NaN where it is not known."""
    status = Path(f"/proc/{process}/stat")  # Linux only
    if not status.exists():
        return math.nan
    fields = status.read_text(encoding="utf-8").rpartition(")")[2].split()
    return 1e3 * (int(fields[11]) + int(fields[12])) / TICK


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
    try:
        lines = status.read_text(encoding="utf-8").splitlines()
    except OSError:  # another system, or it has ended
        return math.nan
    found = [float(line.split()[1]) / 1024 for line in lines if line.startswith("VmHWM")]
    return found[0] if found else math.nan
