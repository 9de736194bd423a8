"""The answer on the review page."""

from __future__ import annotations

import pytest

pytest.importorskip("bokeh", reason="needs bokeh (the extra 'review')")

from pathlib import Path

from numpy.testing import assert_allclose

from sts.review import Desk
from sts.review.answer_view import AnswerView


def test_tips_stand_before_and_now(looked_at: Desk) -> None:
    view = AnswerView(looked_at)
    tips = looked_at.answer().tips
    assert view.by_tip.x_range.factors == tips["tip"].tolist()
    assert_allclose(view.then.data["y"], tips["before_barrier_eV"])
    assert_allclose(view.now.data["high"], tips["barrier_high_eV"])
    for value in tips["barrier_eV"]:
        assert f"{value:.3f}" in view.tips.text


def test_the_spectrum_is_that_of_the_group_of_the_sweep(looked_at: Desk) -> None:
    view = AnswerView(looked_at)
    assert not view.spectrum.visible
    rows = looked_at.worklist
    sweep = rows.loc[rows["kind"] == "iv", "sweep"].iloc[0]
    view.show_group(sweep)
    assert view.spectrum.visible
    assert_allclose(view.after.data["y"], looked_at.spectrum(sweep)[1].didv * 1e9)
    view.show_group(rows.loc[rows["kind"] == "iz", "sweep"].iloc[0])
    assert not view.spectrum.visible


def test_cautions_are_shown(demo: Path) -> None:
    desk = Desk(demo)
    view = AnswerView(desk)
    rows = desk.worklist
    out = rows.loc[(rows["tip"] == "curlew") & rows["used"] & (rows["site"] == "1"), "sweep"].tolist()
    desk.decide(out, "omit", "to see what is said")
    view.refresh("")
    answer = desk.answer()
    assert f"{len(out)} decided by a person" in view.words.text
    assert len(view.words.text.split("<p class=caution>")) - 1 == len(answer.cautions)
