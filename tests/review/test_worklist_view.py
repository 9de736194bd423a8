"""The list on the review page."""

from __future__ import annotations

import pytest

pytest.importorskip("bokeh", reason="needs bokeh (the extra 'review')")

from pathlib import Path

from sts.review import Desk
from sts.review.worklist_view import WorklistView


@pytest.fixture
def listed(looked_at: Desk) -> tuple[WorklistView, list[str]]:
    picked: list[str] = []
    return WorklistView(looked_at, picked.append), picked


def test_all_sweeps_stand_in_the_order_of_the_desk(listed: tuple[WorklistView, list[str]], looked_at: Desk) -> None:
    assert listed[0].sweeps == looked_at.worklist["sweep"].tolist()
    assert listed[0].why(listed[0].sweeps[0]) == looked_at.worklist["why"].iloc[0]
    assert listed[0].why("nobody") == ""


def test_filters_are_those_of_the_desk(listed: tuple[WorklistView, list[str]], looked_at: Desk) -> None:
    view, rows = listed[0], looked_at.worklist
    view.choices["tip"].value = "plover"
    assert view.sweeps == rows.loc[rows["tip"] == "plover", "sweep"].tolist()
    view.shown.value = "out"
    assert view.sweeps == rows.loc[(rows["tip"] == "plover") & ~rows["used"], "sweep"].tolist()
    view.choices["tip"].value, view.shown.value = "all", ""
    view.text.value = "  SATURATED "
    assert 0 < len(view.sweeps) < len(rows)
    assert all("saturated" in flags for flags in rows.set_index("sweep").loc[view.sweeps, "flags"])


def test_picking_a_row_opens_its_sweep_and_showing_it_does_not_pick(listed: tuple[WorklistView, list[str]]) -> None:
    view, picked = listed
    view.source.selected.indices = [3]
    assert picked == [view.sweeps[3]]
    view.looked(view.sweeps[4])
    assert view.marked == view.sweeps[4]
    assert len(picked) == 1


def test_one_goes_on_within_the_list_and_stops_at_its_ends(listed: tuple[WorklistView, list[str]]) -> None:
    view = listed[0]
    assert view.beside(view.sweeps[0], 1) == view.sweeps[1]
    assert view.beside(view.sweeps[0], -1) == view.sweeps[0]
    assert view.beside(view.sweeps[-1], 1) == view.sweeps[-1]
    view.text.value = "there is no such sweep"
    assert view.beside("here", 1) == "here"


def test_what_was_looked_at_is_counted(demo: Path) -> None:
    desk = Desk(demo)
    view = WorklistView(desk, lambda _: None)
    assert "<b>0</b> looked at, <b>218</b> to look at; 218 in the list" in view.counts.text
    desk.look(view.sweeps[2])
    view.looked(view.sweeps[2])
    assert "<b>1</b> looked at" in view.counts.text
    assert view.source.data["state"][2].startswith("●")
