"""The invented result, written once, and a browser to open its page in."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from sharing import BROWSER_MS, QUIET, shared

from sts.analysis import Analysis
from sts.report import write_results

EMPTY = {"area", "base", "br", "col", "embed", "hr", "img", "input", "link", "meta", "source", "track", "wbr"}


@pytest.fixture(scope="session")
def written(invented: Analysis, tmp_path_factory: pytest.TempPathFactory) -> Path:
    def made(folder: Path) -> Path:
        write_results(invented, folder / "out")
        return folder / "out"

    return shared(tmp_path_factory, "results", made)


class Outline(HTMLParser):
    """The elements of a page in order: (tag, attributes, text within)."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str], list[str]]] = []
        self.open: list[tuple[str, list[str]]] = []
        self.mistakes: list[str] = []
        self.feed(page)
        self.mistakes += [f"<{tag}> is never closed" for tag, _ in self.open]

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        text: list[str] = []
        self.elements.append((tag, {k: v or "" for k, v in attrs}, text))
        if tag not in EMPTY:
            self.open.append((tag, text))

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, {k: v or "" for k, v in attrs}, []))

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open[-1][0] != tag:
            self.mistakes.append(f"</{tag}> closes {self.open[-1][0] if self.open else 'nothing'}")
        else:
            self.open.pop()

    def handle_data(self, data: str) -> None:
        for _, text in self.open:
            text.append(data)

    def all(self, tag: str) -> list[tuple[dict[str, str], str]]:
        return [(attrs, "".join(text).strip()) for name, attrs, text in self.elements if name == tag]


@pytest.fixture(scope="session")
def page(written: Path) -> str:
    return (written / "report.html").read_text(encoding="utf-8")


@pytest.fixture(scope="session")
def outline(page: str) -> Outline:
    return Outline(page)


CHROMIUM = os.environ.get("STS_CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """Chromium, of one module: a second one cannot be driven from the same process while it is open."""
    sync_api = pytest.importorskip("playwright.sync_api")
    if not CHROMIUM:
        pytest.skip("no Chromium here; set STS_CHROMIUM to its path")
    with sync_api.sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=CHROMIUM, args=QUIET, timeout=BROWSER_MS)
        yield running
        running.close()


class Visit:
    """A page opened from disk; every request and every console message is kept."""

    def __init__(self, browser: Any, file: Path, **kwargs: Any) -> None:
        self.context = browser.new_context(offline=True, **kwargs)
        self.context.set_default_timeout(BROWSER_MS)
        self.page = self.context.new_page()
        self.requests: list[str] = []
        self.messages: list[str] = []
        self.page.on("request", lambda request: self.requests.append(request.url))
        self.page.on("console", lambda message: self.messages.append(message.text))
        self.page.on("pageerror", lambda error: self.messages.append(str(error)))
        self.page.goto(file.as_uri())


@pytest.fixture(scope="module")
def seen(browser: Any, written: Path) -> Iterator[Any]:
    """Opens the page, once for each kind of window, for tests of a module that only read it or say its size and scheme."""
    opened: dict[str, Visit] = {}

    def open_page(**kwargs: Any) -> Visit:
        if repr(kwargs) not in opened:
            opened[repr(kwargs)] = Visit(browser, written / "report.html", **kwargs)
        return opened[repr(kwargs)]

    yield open_page
    for one in opened.values():
        one.context.close()


@pytest.fixture
def still(seen: Any) -> Any:
    """The page as it opens, for tests that only read it."""
    return seen()


@pytest.fixture
def visit(browser: Any, written: Path) -> Iterator[Any]:
    opened: list[Visit] = []

    def open_page(**kwargs: Any) -> Visit:
        opened.append(Visit(browser, written / "report.html", **kwargs))
        return opened[-1]

    yield open_page
    for one in opened:
        one.context.close()
