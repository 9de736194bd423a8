"""What all parts of the review page share."""

from __future__ import annotations

import pytest

pytest.importorskip("bokeh", reason="needs bokeh (the extra 'review')")

from sts.figures import style
from sts.review import look


def test_colours_are_those_of_the_figures() -> None:
    for name in ("BLUE", "VERMILLION", "GREEN", "PURPLE", "ORANGE", "SKY", "BLACK", "GREY", "PALE"):
        assert getattr(look, name) == getattr(style, name)


def test_text_is_made_safe_within_markup_and_within_quotes() -> None:
    assert look.safe('<b title="x">&\'') == "&lt;b title=&quot;x&quot;&gt;&amp;&#x27;"


def test_cells_and_heads_of_a_table_are_made_safe() -> None:
    made = look.table("<i>", ["<th>"], [["<td>"]], right={0})
    assert "<i>" not in made
    assert "<th class=n>&lt;th&gt;</th>" in made
    assert "<td class=n>&lt;td&gt;</td>" in made


@pytest.mark.parametrize(("value", "said"), [(1.23456, "1.235"), (float("nan"), "–"), (float("inf"), "–")])
def test_an_unknown_number_is_a_dash(value: float, said: str) -> None:
    assert look.number(value) == said


def test_a_button_calls_what_it_is_for() -> None:
    from bokeh.events import ButtonClick

    pressed: list[int] = []
    made = look.button("Go", lambda: pressed.append(1))
    made._trigger_event(ButtonClick(made))
    assert pressed == [1]
