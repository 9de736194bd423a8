"""Judge both pages by published rules for access: ``python scripts/access.py``. Needs npm, Chromium and a network.

Fetches axe-core (rules as code for WCAG 2.2, W3C Recommendation; MPL 2.0; development only, never part of the package) of one
version into ``.access-cache``, makes the demo's session and report, opens report and review page in a real browser in the states
named here, and writes what was found to ``docs/validation/access.csv``. A violation ends it with status 1.
"""

from __future__ import annotations

import base64
import csv
import hashlib
import importlib
import shutil
import subprocess
import sys
import tarfile
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from _environment import ROOT, run

VERSION = "4.14.1"
SHA512 = "FHfa+lmNjQZfJz1q8wKqIDwC6DExcHt/pkjNQb09a3NPjCKg2rhu5qb2S4r76ASyFNNtuFooJpZe37OgudVGtQ=="
CACHE = ROOT / ".access-cache"
OUT = ROOT / "docs" / "validation" / "access.csv"
COLUMNS = ("page", "state", "violations", "rules passed", "axe-core", "date")
TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22a", "wcag22aa", "best-practice"]
# Only what is broken is worked out in full; `passes` is counted.
JUDGE = "tags => axe.run(document, {runOnly: {type: 'tag', values: tags}, resultTypes: ['violations']})"

# Of the report: name, width of the window [px], colour scheme, whether everything that is folded is opened.
REPORT_STATES = (
    ("as it opens", 1280, "light", False),
    ("420 px wide", 420, "light", False),
    ("dark", 1280, "dark", False),
    ("420 px wide and dark", 420, "dark", False),
    ("all opened", 1280, "light", True),
    ("all opened, 420 px wide", 420, "light", True),
)


def _bias_sweep(page: Any) -> None:
    before = page.evaluate("told('.sweep-name')")
    page.get_by_label("Kind", exact=True).select_option(label="I(V)")
    page.keyboard.press("Escape")
    page.wait_for_timeout(500)  # the list is asked for anew
    page.keyboard.press("j")
    page.wait_for_function("before => told('.sweep-name') !== before", arg=before)


def _without_reason(page: Any) -> None:
    page.get_by_label("Reason", exact=True).select_option("in my own words")
    page.get_by_role("button", name="Omit").click()
    page.wait_for_function("() => told('.state').startsWith('A reason is missing')")


def _omitted(page: Any) -> None:
    page.get_by_label("Or in my own words").fill("seen on the screen")
    page.keyboard.press("Tab")
    page.get_by_role("button", name="Omit").click()
    page.wait_for_function("() => told('.state').startsWith('Kept in the session')")


def _small_plots(page: Any) -> None:
    page.keyboard.press("s")
    page.wait_for_function(
        "() => all().filter(one => one.matches('label') && one.textContent.startsWith('tick')).length > 3"
    )


# Of the review page, each after the one before: name, what a person does.
REVIEW_STATES: tuple[tuple[str, Callable[[Any], None]], ...] = (
    ("list open, I(z) sweep", lambda page: None),
    ("omit without a reason", _without_reason),
    ("omitted", _omitted),
    ("all of a site", _small_plots),
    ("I(V) sweep", _bias_sweep),
)


def rules(*, fetch: bool = False) -> str | None:
    """The rules as text of a script; None where they were not fetched.

    Parameters
    ----------
    fetch : bool
        Whether to fetch them.

    Raises
    ------
    SystemExit
        If they cannot be fetched, or are not what is named here.
    """
    place = CACHE / f"axe-core-{VERSION}.min.js"
    if not place.exists() and fetch:
        _fetch(place)
    return place.read_text(encoding="utf-8") if place.exists() else None


def _fetch(place: Path) -> None:
    npm = shutil.which("npm")
    if npm is None:
        raise SystemExit("npm is needed to fetch axe-core and is not here. Install Node.js, then run this again.")
    with tempfile.TemporaryDirectory() as folder:
        subprocess.run(
            [npm, "pack", f"axe-core@{VERSION}", "--silent"], cwd=folder, check=True, stdout=subprocess.DEVNULL
        )
        (packed,) = Path(folder).glob("*.tgz")
        found = base64.b64encode(hashlib.sha512(packed.read_bytes()).digest()).decode()
        if found != SHA512:
            raise SystemExit(
                f"What came as axe-core {VERSION} has the hash {found}; {SHA512} was expected. Nothing was kept."
            )
        with tarfile.open(packed) as parts:
            script = parts.extractfile("package/axe.min.js")
            assert script is not None
            place.parent.mkdir(exist_ok=True)
            place.write_bytes(script.read())


def judged(page: Any, script: str) -> tuple[list[str], int]:
    """What a page breaks, in words with the place, and how many rules it passes.

    Parameters
    ----------
    page : playwright.sync_api.Page
    script : str
        As `rules` gives it.
    """
    page.evaluate(script)
    found = page.evaluate(JUDGE, TAGS)
    broken = [
        f"{rule['id']} ({rule['help']}): {node['html'][:160]}" for rule in found["violations"] for node in rule["nodes"]
    ]
    return broken, len(found["passes"])


def report_page(browser: Any, page: Path, state: tuple[str, int, str, bool]) -> Any:
    """The report in one of `REPORT_STATES`.

    Parameters
    ----------
    browser : playwright.sync_api.Browser
    page : path
        Of the report.
    state : (str, int, str, bool)
    """
    _, width, scheme, opened = state
    context = browser.new_context(viewport={"width": width, "height": 800}, color_scheme=scheme, offline=True)
    shown = context.new_page()
    shown.goto(page.resolve().as_uri())
    if opened:
        shown.evaluate("document.querySelectorAll('details').forEach(one => { one.open = true; })")
    return shown


def _states(folder: Path) -> Iterator[tuple[str, str, Any]]:
    """Each page of the demo in each of its states."""
    import sts

    sys.path.insert(0, str(ROOT / "tests"))
    chromium: Any = importlib.import_module("review.chromium")
    session, demo = folder / "session.h5", ROOT / "data" / "demo"
    sts.import_files([demo / "iz", demo / "iv"], session, logbook=demo / "logbook.csv")
    sts.write_results(sts.analyse(session), folder / "out")
    with chromium.started() as browser:
        for state in REPORT_STATES:
            shown = report_page(browser, folder / "out" / "report.html", state)
            yield "report", state[0], shown
            shown.context.close()
        with chromium.served(session) as address:
            shown = chromium.opened(browser, address)
            for name, done in REVIEW_STATES:
                done(shown)
                yield "review", name, shown


def main(arguments: list[str]) -> int:
    """Judge every state and keep what was found; 1 if anything is broken."""
    if "--inside" not in arguments:
        return run(__file__, "--inside", lock="dev")
    script = rules(fetch=True)
    assert script is not None
    rows, broken = [], 0
    with tempfile.TemporaryDirectory() as folder:
        for name, state, shown in _states(Path(folder)):
            found, passed = judged(shown, script)
            broken += len(found)
            print(f"{name}, {state}: {len(found)} violations, {passed} rules passed", *found, sep="\n  ", flush=True)
            rows.append([name, state, len(found), passed, VERSION, time.strftime("%Y-%m-%d")])
    with OUT.open("w", encoding="utf-8", newline="") as stream:
        csv.writer(stream, lineterminator="\n").writerows([COLUMNS, *rows])
    return 1 if broken else 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
