"""The page for people who see, hear or point otherwise, judged in a real browser by published rules.

Each check names its success criterion of the Web Content Accessibility Guidelines (WCAG) 2.2, W3C Recommendation, and
computes it from what the browser shows, not from the style sheet.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import access
import pytest

SCHEMES = ("light", "dark")

# Every element with text of its own: its colour against the first opaque ground behind it.
# Luminance and contrast ratio as defined in WCAG 2.2 ("relative luminance", "contrast ratio").
CONTRASTS = """() => {
  const rgb = text => text.match(/[\\d.]+/g).map(Number);
  const luminance = ([r, g, b]) => [r, g, b].map(v => v / 255)
    .map(v => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4)
    .reduce((sum, v, i) => sum + v * [0.2126, 0.7152, 0.0722][i], 0);
  const ground = element => {
    for (let e = element; e; e = e.parentElement) {
      const colour = rgb(getComputedStyle(e).backgroundColor);
      if (colour.length === 3 || colour[3] === 1) { return colour; }
    }
    return [255, 255, 255];
  };
  const found = [];
  for (const element of document.querySelectorAll('body *')) {
    const own = [...element.childNodes].some(n => n.nodeType === 3 && n.textContent.trim());
    if (!own || element.closest('svg, script, style') || !element.getClientRects().length) { continue; }
    const [a, b] = [rgb(getComputedStyle(element).color), ground(element)].map(luminance);
    found.push([(Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05), element.outerHTML.slice(0, 100)]);
  }
  return found;
}"""


@pytest.mark.parametrize("scheme", SCHEMES)
def test_every_text_stands_out_from_what_is_behind_it(seen: Any, scheme: str) -> None:
    """1.4.3 Contrast (Minimum): 4.5 to 1."""
    found = seen(color_scheme=scheme).page.evaluate(CONTRASTS)
    assert len(found) > 500
    assert [text for ratio, text in found if ratio < 4.5] == []


def test_the_contrast_check_notices_pale_text(seen: Any) -> None:
    page = seen(color_scheme="light").page
    pale = page.add_style_tag(content="figcaption { color: #999 !important; }")
    found = page.evaluate(CONTRASTS)
    pale.evaluate("style => style.remove()")
    assert [text for ratio, text in found if ratio < 4.5]


@pytest.mark.parametrize("scheme", SCHEMES)
def test_tab_goes_through_everything_shows_where_it_is_and_leaves(visit: Any, scheme: str) -> None:
    """2.1.2 No Keyboard Trap, 2.4.3 Focus Order, 2.4.7 Focus Visible, 2.4.11 Focus Not Obscured."""
    page = visit(color_scheme=scheme, viewport={"width": 1280, "height": 800}).page
    reachable = page.evaluate(
        """() => [...document.querySelectorAll('a[href], button, input, select, summary, [tabindex]')]
             .filter(e => e.checkVisibility() && !e.disabled).length"""
    )
    # Once, since a page of drawings has tens of thousands of elements.
    page.evaluate("window.places = new Map([...document.querySelectorAll('*')].map((e, i) => [e, i]))")
    places = []
    for _ in range(reachable + 1):
        page.keyboard.press("Tab")
        here = page.evaluate(
            """() => { const e = document.activeElement, s = getComputedStyle(e), r = e.getBoundingClientRect();
                 return e === document.body ? null : {
                   order: window.places.get(e), outline: s.outlineStyle,
                   width: parseFloat(s.outlineWidth), seen: r.bottom > 0 && r.top < innerHeight,
                   what: e.cloneNode().outerHTML }; }"""
        )
        if here is None:  # past the last one: back to the browser itself
            break
        places.append(here)
    assert here is None
    assert len(places) == reachable
    assert [p["order"] for p in places] == sorted(p["order"] for p in places)
    for place in places:
        assert place["seen"], place["what"][:100]
        assert place["outline"] != "none", place["what"][:100]
        assert place["width"] >= 2, place["what"][:100]


def test_no_element_jumps_the_order_of_reading(still: Any) -> None:
    """2.4.3 Focus Order: a positive tabindex would."""
    assert still.page.eval_on_selector_all("[tabindex]", "all => all.filter(e => e.tabIndex > 0).length") == 0


def test_everything_that_can_be_used_has_a_name(still: Any) -> None:
    """4.1.2 Name, Role, Value: read from the browser's own tree for assistive technology."""
    page = still.page
    tree = page.context.new_cdp_session(page).send("Accessibility.getFullAXTree")["nodes"]
    used = {"button", "link", "searchbox", "combobox", "region", "image", "table", "DisclosureTriangle"}
    nameless, seen = [], set()
    for node in tree:
        role = node.get("role", {}).get("value", "")
        if node.get("ignored") or role not in used:
            continue
        seen.add(role)
        if not node.get("name", {}).get("value", "").strip():
            nameless.append(role)
    assert nameless == []
    assert seen >= {"button", "link", "searchbox", "combobox", "region", "image", "table"}


def test_drawings_are_one_picture_each_to_a_reader(still: Any) -> None:
    """1.1.1 Non-text Content: the finding stands for the drawing, whose single letters are not read out."""
    page = still.page
    plates = page.locator(".plate")
    assert plates.count() >= 15
    assert page.locator(".plate > svg[aria-hidden=true], .plate > img[alt='']").count() == plates.count()


def test_regions_of_the_page_are_told_apart_and_hold_everything(visit: Any) -> None:
    """1.3.1 Info and Relationships; 2.4.1 Bypass Blocks."""
    page = visit().page
    names = page.eval_on_selector_all("[role=region]", "all => all.map(e => e.getAttribute('aria-label'))")
    assert len(names) == len(set(names))
    outside = page.evaluate(
        """() => [...document.body.children].filter(e => !e.matches('header, main, footer, script, .skip'))
             .map(e => e.outerHTML.slice(0, 80))"""
    )
    assert outside == []
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    assert page.evaluate("location.hash") == "#found"


def test_headings_read_as_an_outline(still: Any) -> None:
    """1.3.1 and 2.4.6: one first heading, no level left out, none empty."""
    heads = still.page.eval_on_selector_all(
        "h1, h2, h3, h4", "all => all.map(e => [Number(e.tagName[1]), e.textContent.trim()])"
    )
    levels = [level for level, _ in heads]
    assert levels.count(1) == 1 == levels[0]
    assert all(after - before <= 1 for before, after in pairwise(levels))
    assert all(text for _, text in heads)


@pytest.mark.parametrize("width", [320, 640])
def test_page_reflows_at_the_width_of_a_great_magnification(seen: Any, width: int) -> None:
    """1.4.10 Reflow: 320 CSS pixels (1280 at 400 %) without scrolling in two directions, tables and figures apart."""
    page = seen(viewport={"width": 320, "height": 256}).page
    page.set_viewport_size({"width": width, "height": 256})
    assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_targets_are_large_enough_to_hit(still: Any) -> None:
    """2.5.8 Target Size (Minimum): 24 by 24 CSS pixels, or as far from the next; links within text are free."""
    small = still.page.eval_on_selector_all(
        "button, input, select, summary, nav a",
        """all => all.filter(e => e.checkVisibility()).map(e => [e.getBoundingClientRect(), e.outerHTML])
             .filter(([r]) => r.width < 24 || r.height < 24).map(([r, what]) => [r.width, r.height, what.slice(0, 80)])""",
    )
    assert small == []


def test_status_of_the_filter_is_spoken(still: Any) -> None:
    """4.1.3 Status Messages."""
    assert still.page.locator("#sweep-status").get_attribute("role") == "status"


def test_states_are_not_told_by_colour_alone(still: Any) -> None:
    """1.4.1 Use of Color: a sweep left out says no, a missing item says so."""
    page = still.page
    out = page.eval_on_selector_all("#sweep-table tr.out", "all => all.map(e => e.cells[9].textContent)")
    assert set(out) == {"no"}
    assert all("Missing." in text for text in page.locator("tr.missing").all_text_contents())


@pytest.mark.parametrize("scheme", SCHEMES)
def test_published_rules_find_nothing_broken(visit: Any, scheme: str) -> None:
    """axe-core, rules as code for WCAG 2.2 AA; on a phone, with everything opened. All states: scripts/access.py."""
    script = access.rules()
    if script is None:
        pytest.skip("axe-core is not here; python scripts/access.py fetches it")
    page = visit(color_scheme=scheme, viewport={"width": 420, "height": 800}).page
    page.evaluate("document.querySelectorAll('details').forEach(one => { one.open = true; })")
    broken, passed = access.judged(page, script)
    assert broken == []
    assert passed > 40
    page.evaluate("document.querySelector('#sweep-table thead button').textContent = ''")
    assert access.judged(page, script)[0]
