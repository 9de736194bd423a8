"""The review page for eyes and hands that differ: contrast, names, the keyboard alone, the decision in view on a narrow screen."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import access
import pytest
from review.chromium import opened, served, started, wait

CONTRAST = r"""
window.light = ([r, g, b]) => { const f = v => (v /= 255) <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4;
  return 0.2126 * f(r) + 0.7152 * f(g) + 0.0722 * f(b); };
window.ratio = (one, other) => { const [a, b] = [light(one), light(other)].sort((x, y) => y - x); return (a + 0.05) / (b + 0.05); };
window.rgb = text => { const c = document.createElement("canvas").getContext("2d"); c.fillStyle = text; c.fillRect(0, 0, 1, 1);
  return [...c.getImageData(0, 0, 1, 1).data]; };
window.above = one => one.assignedSlot || one.parentElement ||
  (one.getRootNode() instanceof ShadowRoot ? one.getRootNode().host : null);
window.ground = one => { for (; one; one = above(one)) {
  const [r, g, b, a] = rgb(getComputedStyle(one).backgroundColor); if (a > 250) { return [r, g, b]; } } return [255, 255, 255]; };
window.seen = one => { const box = one.getBoundingClientRect(); return box.width > 1 && box.height > 1 &&
  getComputedStyle(one).visibility !== "hidden" && one.checkVisibility(); };
window.texts = () => all().filter(one => !["STYLE", "SCRIPT", "OPTION"].includes(one.tagName) && seen(one) &&
  ([...one.childNodes].some(node => node.nodeType === 3 && node.textContent.trim()) || one.matches("input[type=text]")));
window.faint = () => texts().map(one => [one.textContent.trim().slice(0, 30) || one.tagName,
  ratio(rgb(getComputedStyle(one).color), ground(one))]).filter(([text, found]) => found < (/[\p{L}\p{N}]/u.test(text) ? 4.5 : 3));
window.focused = () => { let one = document.activeElement; while (one && one.shadowRoot && one.shadowRoot.activeElement) {
  one = one.shadowRoot.activeElement; } return one; };
"""
PLOTTED = """
const white = [255, 255, 255], found = [];
const models = new Set(Bokeh.documents[0].roots().flatMap(root => [...root.references()]));
for (const model of models) {
  for (const name of ["major_label_text_color", "axis_label_text_color", "label_text_color"]) {
    if (typeof model[name] === "string") { found.push([model.type, name, ratio(rgb(model[name]), white), 4.5]); } }
  const glyph = model.type === "GlyphRenderer" ? model.glyph : null;
  if (glyph && ["Line", "Scatter", "Segment", "VSpan"].includes(glyph.type)) {
    found.push([glyph.type, "line_color", ratio(rgb(glyph.line_color.value ?? glyph.line_color), white), 3]); }
}
return found;
"""


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with started() as found:
        yield found


@pytest.fixture(scope="module")
def address(_demo: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    own = tmp_path_factory.mktemp("access") / "demo.h5"
    own.write_bytes(_demo.read_bytes())
    with served(own) as found:
        yield found


@pytest.fixture(scope="module")
def page(browser: Any, address: str) -> Any:
    found = opened(browser, address)
    found.evaluate(CONTRAST)
    return found


def test_every_text_stands_out_from_its_ground(page: Any) -> None:
    assert page.evaluate("ratio([118, 118, 118], [255, 255, 255])") == pytest.approx(
        4.54, abs=0.01
    )  # WCAG's own example
    assert len(page.evaluate("texts().map(one => one.textContent)")) > 60
    assert page.evaluate("faint()") == []
    page.get_by_role("button", name="Keep").hover()
    assert page.evaluate("faint()") == []
    page.keyboard.press("s")
    wait(page, "() => texts().filter(one => one.textContent.startsWith('tick')).length > 3")
    assert page.evaluate("faint()") == []
    page.keyboard.press("s")


def test_what_is_drawn_stands_out_from_white(page: Any) -> None:
    found = page.evaluate(f"(() => {{ {PLOTTED} }})()")
    assert len(found) > 40
    assert [one for one in found if one[2] < one[3]] == []


def test_every_control_has_a_name(page: Any) -> None:
    named = page.evaluate("""all().filter(one => one.matches("button, input, select, [role=slider]") && seen(one)).map(one => [
      one.outerHTML.slice(0, 120), (one.textContent || one.ariaLabel || one.title ||
      (one.labels && one.labels.length && one.labels[0].textContent) ||
      one.closest("label, .bk-input-group")?.textContent || "").trim()])""")
    assert len(named) > 15
    assert [html for html, name in named if not name] == []


def test_the_keyboard_alone_reaches_everything_and_is_not_trapped(page: Any) -> None:
    wanted = page.evaluate("""all().filter(one => one.matches("button:not([disabled]), input, select, [role=slider]") && seen(one))
      .map((one, at) => (one.dataset.at = at + 1))""")
    page.evaluate("document.activeElement && document.activeElement.blur()")
    reached, hidden = [], []
    for _ in range(4 * len(wanted)):
        page.keyboard.press("Tab")
        at, outline, name = page.evaluate("""(() => { const one = focused(); const style = getComputedStyle(one);
          return [Number(one.dataset.at || 0), style.outlineStyle !== "none" && parseFloat(style.outlineWidth) >= 2,
                  one.outerHTML.slice(0, 100)]; })()""")
        if at in reached:
            break
        if at:
            reached.append(at)
            if not outline:
                hidden.append(name)
    missing = page.evaluate(
        """reached => all().filter(one => one.dataset.at && !reached.includes(Number(one.dataset.at)))
          .map(one => one.outerHTML.slice(0, 100))""",
        reached,
    )
    assert missing == []
    assert hidden == []


def test_on_a_narrow_screen_the_decision_stays_in_view(browser: Any, address: str) -> None:
    page = opened(browser, address, 820, 1000)
    for where in ("0", "document.documentElement.scrollHeight"):
        page.evaluate(f"window.scrollTo(0, {where})")
        for name in ("Keep", "Omit", "Undo", "Next"):
            box = page.get_by_role("button", name=name).first.bounding_box()
            assert box["y"] > 0
            assert box["y"] + box["height"] <= 1000
    assert page.evaluate("document.querySelector('#decide').getBoundingClientRect().height") < 250
    page.close()


def test_every_slider_says_what_it_sets(page: Any) -> None:
    names = page.evaluate(
        "all().filter(one => one.matches('[role=slider]')).map(one => one.getAttribute('aria-label'))"
    )
    assert len(names) >= 3
    assert len(set(names)) == len(names)
    assert all(names)


def test_published_rules_find_nothing_broken(page: Any) -> None:
    """axe-core, rules as code for WCAG 2.2 AA. All states: scripts/access.py."""
    script = access.rules()
    if script is None:
        pytest.skip("axe-core is not here; python scripts/access.py fetches it")
    broken, passed = access.judged(page, script)
    assert broken == []
    assert passed > 30
    page.evaluate("all().filter(one => one.matches('[role=slider]')).forEach(one => one.removeAttribute('aria-label'))")
    assert access.judged(page, script)[0]
