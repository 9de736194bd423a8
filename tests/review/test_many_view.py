"""All sweeps of a site on the review page."""

from __future__ import annotations

import pytest

pytest.importorskip("bokeh", reason="needs bokeh (the extra 'review')")

from pathlib import Path

from review.pages import first, page_of, press

from sts.review import many_view
from sts.session import Session


def test_ticked_sweeps_are_decided_at_once(demo: Path) -> None:
    page = page_of(demo)
    press(page, "s")
    view = page.desk.view(page.sweep)
    assert {name for name, _ in page.many.cells} == {view.sweep, *view.beside}
    for _, tick in page.many.cells[1:4]:
        tick.active = [0]
    chosen = page.many.ticked
    page.decision.own.value = "tip changed"
    press(page, "x")
    log = Session.open(demo).decisions()
    assert log["sweep"].tolist() == chosen == [name for name, _ in page.many.cells[1:4]]
    assert "3 sweeps" in page.status.text


def test_what_is_put_away_is_not_decided_about(demo: Path) -> None:
    page = page_of(demo)
    press(page, "s")
    page.many.cells[1][1].active = [0]
    press(page, "s")
    assert page.many.ticked == []
    assert not page.many.layout.visible


def test_a_small_plot_opens_its_sweep(demo: Path) -> None:
    from bokeh.events import ButtonClick

    page = page_of(demo)
    page.many.turn()
    cell = page.many.box.children[1]
    opens = cell.children[1]
    opens._trigger_event(ButtonClick(opens))
    assert page.sweep == opens.label


def test_a_site_with_many_sweeps_is_shown_in_parts(demo: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(many_view, "MOST", 5)
    page = page_of(demo)
    page.open(first(page, "iz"))
    press(page, "s")
    site = page.many.site
    assert len(site) > 5
    assert page.many.more.visible
    seen = [name for name, _ in page.many.cells]
    while len(set(seen)) < len(site):
        page.many.next_ones()
        shown = [name for name, _ in page.many.cells]
        assert not set(shown) & set(seen)
        seen += shown
    page.many.next_ones()
    assert f"of the {len(site)} sweeps" in page.many.words.text
