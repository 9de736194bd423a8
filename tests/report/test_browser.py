"""The page in a real browser, with the network denied."""

from __future__ import annotations

import re
from typing import Any

import pytest


def test_page_opens_from_disk_and_asks_for_nothing_else(still: Any) -> None:
    outside = [url for url in still.requests if not url.startswith(("file:", "data:"))]
    assert outside == []
    assert len([url for url in still.requests if url.startswith("file:")]) == 1
    assert still.messages == []


@pytest.mark.parametrize("width", [390, 1280])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_page_fits_the_width_of_phone_and_desk(seen: Any, width: int, scheme: str) -> None:
    page = seen(viewport={"width": 390, "height": 800}).page
    page.set_viewport_size({"width": width, "height": 800})
    page.emulate_media(color_scheme=scheme)
    assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_first_screen_answers_the_questions(seen: Any) -> None:
    """Which tip was good and which was not and why, the barriers, and a spectrum with its gap and its resolution."""
    page = seen(viewport={"width": 1280, "height": 800}).page
    shown = [".verdicts table", "#figure-barrier_by_tip .plate", ".lead figure:has-text('dI/dV') >> nth=0"]
    for part in (*shown[:2], f"{shown[2]} >> .plate", f"{shown[2]} >> figcaption"):
        box = page.locator(part).bounding_box()
        assert box["y"] + box["height"] <= 800, part
    assert page.evaluate("(t => t.scrollWidth - t.clientWidth)(document.querySelector('.verdicts .scroll'))") <= 0
    rows = page.locator(".verdicts tbody tr").all_inner_texts()
    assert "use" in rows[0]
    assert any("do not use" in row for row in rows)
    assert any("reads 0.1" in row for row in rows)
    assert re.search(r"gap .*resolution \d", page.locator(f"{shown[2]} >> figcaption").inner_text(), re.DOTALL)


def test_figures_stay_on_white_in_the_dark(seen: Any) -> None:
    page = seen(viewport={"width": 390, "height": 800}).page
    page.emulate_media(color_scheme="dark")
    grounds = page.eval_on_selector_all(".plate", "all => all.map(e => getComputedStyle(e).backgroundColor)")
    assert set(grounds) == {"rgb(255, 255, 255)"}
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") != "rgb(255, 255, 255)"


def test_letters_shared_between_figures_are_drawn_in_each(still: Any) -> None:
    page = still.page
    empty = page.evaluate(
        """() => [...document.querySelectorAll('.plate svg')].filter(svg =>
             [...svg.querySelectorAll('use')].some(use => !document.getElementById(
                use.getAttribute('href').slice(1)))).length"""
    )
    assert empty == 0
    boxes = page.eval_on_selector_all(
        ".plate svg", "all => all.map(svg => svg.querySelector('use[href*=DejaVu]').getBoundingClientRect().width)"
    )
    assert all(width > 1 for width in boxes)


def test_sweeps_are_filtered_and_sorted_by_keyboard(visit: Any) -> None:
    page = visit().page
    rows = page.locator("#sweep-table tbody tr:visible")
    everything = rows.count()
    page.locator("#sweep-find").focus()
    page.keyboard.type("curlew")
    assert 0 < rows.count() < everything
    assert page.locator("#sweep-status").inner_text() == f"{rows.count()} of {everything} shown"
    page.locator("#sweep-find").fill("")
    page.locator("#sweep-show").select_option("out")
    assert rows.count() == 3
    page.locator("#sweep-show").select_option("")
    header = page.locator("#sweep-table thead th", has_text="φ (eV)")
    header.locator("button").focus()
    page.keyboard.press("Enter")
    assert header.get_attribute("aria-sort") == "ascending"
    first = rows.first.locator("td").nth(7).inner_text()
    page.keyboard.press("Enter")
    assert header.get_attribute("aria-sort") == "descending"
    last = rows.first.locator("td").nth(7).inner_text()
    assert float(first) < 1 < float(last)


def test_without_scripts_the_table_is_there_and_no_dead_tools(visit: Any) -> None:
    page = visit(java_script_enabled=False).page
    assert page.locator("#sweep-table tbody tr").count() == 64
    assert not page.locator("#sweep-tools").is_visible()


def test_everything_that_can_be_used_can_be_reached_by_tab(visit: Any) -> None:
    page = visit().page
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    names = page.eval_on_selector_all(
        "a, button, input, select, summary, [tabindex]", "all => all.filter(e => e.tabIndex < 0).map(e => e.outerHTML)"
    )
    assert names == []


def test_details_open_and_tell_how_to_read_a_figure(visit: Any) -> None:
    page = visit().page
    summary = page.locator(".card summary").first
    assert not page.locator(".card .reading").first.is_visible()
    summary.focus()
    page.keyboard.press("Enter")
    assert page.locator(".card .reading").first.is_visible()


def test_headings_of_a_long_table_stand_on_every_sheet(seen: Any) -> None:
    page = seen(viewport={"width": 720, "height": 1000}).page
    page.emulate_media(media="screen")
    assert page.locator("#sweep-table thead th").first.get_attribute("data-name") == "No."
    page.emulate_media(media="print")
    named = page.eval_on_selector_all(
        "#sweep-table thead th", "all => all.map(e => getComputedStyle(e, '::before').content)"
    )
    assert named[:3] == ['"No."', '"Sweep"', '"Kind"']
    assert not page.locator("#sweep-table thead button").first.is_visible()


def test_no_figure_is_cut_by_a_page_break(seen: Any) -> None:
    page = seen(viewport={"width": 720, "height": 1000}).page
    page.emulate_media(media="print")
    breaks = page.eval_on_selector_all(".card, .answer", "all => all.map(e => getComputedStyle(e).breakInside)")
    assert set(breaks) == {"avoid"}
    heights = page.eval_on_selector_all(".card", "all => all.map(e => e.getBoundingClientRect().height)")
    assert max(heights) < 1000  # fits a page of A4
    assert len(page.pdf(format="A4")) > 10_000
