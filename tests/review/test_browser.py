"""The review page in a real browser: from the command to a decision that is kept, by keyboard, at three widths."""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from review.chromium import opened, served, started, wait
from sharing import BROWSER_MS

from sts.session import Session

MEASURED = re.compile(r"are measured|^Ready\.$")  # it may be done before the page is opened
SIZES = [(1280, 800), (1920, 1080), (820, 1000)]


@pytest.fixture(scope="module")
def session(_demo: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo; one test decides, the others only look at the first sweep of the list."""
    return Path(shutil.copy(_demo, tmp_path_factory.mktemp("browser") / "demo.h5"))


@pytest.fixture(scope="module")
def address(session: Path) -> Iterator[str]:
    with served(session) as found:
        yield found


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with started() as found:
        yield found


def test_a_decision_by_keyboard(address: str, browser: Any, session: Path) -> None:
    asked, wrong = [], []
    page = browser.new_page(viewport={"width": 1280, "height": 800})
    page.set_default_timeout(BROWSER_MS)
    page.on("request", lambda request: asked.append(request.url))
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.goto(address)
    page.get_by_text("to look at;").wait_for()
    page.get_by_text(MEASURED).wait_for()
    heading = page.locator("#sweep h3").first
    first = heading.inner_text()
    page.keyboard.press("j")
    page.get_by_text("2 looked at").wait_for()
    second = heading.inner_text()
    assert second != first
    page.locator(".slick-row", has_text=second).get_by_text("●").wait_for()
    page.keyboard.press("x")
    page.get_by_text(f"Kept in the session: omit {second}.").wait_for()
    assert Session.open(session).decisions()["sweep"].tolist() == [second]
    page.locator(".slick-row", has_text=second).get_by_text("✕✎").wait_for()
    page.keyboard.press("u")
    page.get_by_text(f"Kept in the session: undo {second}.").wait_for()
    assert Session.open(session).decisions()["action"].tolist() == ["omit", "undo"]
    assert wrong == []
    start = address.split("/?")[0]
    assert [url for url in asked if not url.startswith((start, "data:", "blob:", start.replace("http", "ws")))] == []
    assert "token" not in page.url
    page.close()


def test_the_page_fits_and_shows_where_the_focus_is(address: str, browser: Any) -> None:
    page = opened(browser, address, *SIZES[0])
    for width, height in SIZES:
        page.set_viewport_size({"width": width, "height": height})
        wait(page, "() => document.documentElement.scrollWidth <= innerWidth")
        assert page.evaluate("innerWidth") == width
        button = page.get_by_role("button", name="Omit")
        box = button.bounding_box()
        assert box["height"] >= 24
        page.keyboard.press("Tab")
        button.focus()
        outline = button.evaluate(
            "e => [getComputedStyle(e).outlineStyle, parseFloat(getComputedStyle(e).outlineWidth)]"
        )
        assert outline[0] != "none"
        assert outline[1] >= 2
    page.close()


def test_pictures_leave_the_page(address: str, browser: Any) -> None:
    page = opened(browser, address)
    for kind, start in (("PNG", b"\x89PNG"), ("SVG", b"<svg")):
        with page.expect_download() as download:
            page.get_by_role("button", name=f"Picture as {kind}").click()
        data = Path(download.value.path()).read_bytes()
        assert data.startswith(start)
        assert len(data) > 5000
    page.close()


@pytest.fixture
def few(small: Path) -> Iterator[str]:
    with served(small) as found:
        yield found


def test_the_report_is_made_from_the_page_and_opens(few: str, browser: Any) -> None:
    page = opened(browser, few)
    said: list[str] = []
    page.expose_function("say", lambda words: said.append(words))
    page.evaluate("model('state').properties.text.change.connect(() => say(model('state').text))")
    page.get_by_role("button", name="Make the report").click()
    wait(page, "() => told('.state').startsWith('The report is made')")
    assert len([words for words in said if "working: report," in words]) > 3
    with page.expect_popup() as report:
        page.get_by_role("link", name="Open the report").click()
    report.value.wait_for_load_state()
    assert "heron" in report.value.content()
    assert report.value.url == f"{few.split('/?')[0]}/report"
    report.value.close()
    page.close()
