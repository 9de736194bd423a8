"""The review page in a real browser: a server of its own process, Chromium, and looking within shadow roots."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from sharing import BROWSER_MS, QUIET

import sts

pytest.importorskip("bokeh", reason="needs bokeh (the extra 'review')")
sync_api = pytest.importorskip("playwright.sync_api", reason="needs playwright")

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
if CHROMIUM is None:
    pytest.skip("needs the browser Chromium (a system package)", allow_module_level=True)

# Another test uses the other processor all the time: standing behind it, the page would be measured ten times as long.
SERVE = (
    "import sys; from sts.review import apart; apart.BEHIND = 0; from sts.cli import main; sys.exit(main(sys.argv[1:]))"
)
WITHIN = """
window.all = (root = document) => [...root.querySelectorAll("*")].flatMap(
  one => one.shadowRoot ? [one, ...all(one.shadowRoot)] : [one]);
window.told = selector => { const one = all().find(one => one.matches(selector)); return one ? one.textContent : ""; };
window.model = name => Bokeh.documents[0].get_model_by_name(name);
"""


@contextmanager
def served(session: Path) -> Iterator[str]:
    """The address of a review of a session, served by a process of its own."""
    environment = os.environ | {"PYTHONPATH": str(Path(sts.__file__).parents[1])}
    command = [sys.executable, "-c", SERVE, "review", str(session), "--no-browser", "--port", "0"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=environment) as process:
        assert process.stdout is not None
        try:
            yield process.stdout.readline().strip()
        finally:
            process.terminate()
            process.communicate(timeout=120)


@contextmanager
def started() -> Iterator[Any]:
    """Chromium."""
    with sync_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=QUIET, timeout=BROWSER_MS)
        yield browser
        browser.close()


def opened(browser: Any, address: str, width: int = 1280, height: int = 800) -> Any:
    """A page with its answer."""
    page = browser.new_page(viewport={"width": width, "height": height})
    page.add_init_script(WITHIN)
    page.set_default_timeout(BROWSER_MS)
    page.goto(address)
    wait(
        page,
        "() => window.Bokeh && told('.state').length > 3 && told('.sweep-name') && told('.slick-row')"
        "&& !all().some(one => one.matches('p') && one.textContent.startsWith('Measuring'))",
    )
    return page


def wait(page: Any, true: str, **kwargs: Any) -> None:
    """Wait until a function in the page says so, asked ten times a second: sixty times, as is usual, all elements are
    walked through, and the server waits for the processor."""
    page.wait_for_function(true, polling=100, **kwargs)
