"""A window of a review, driven from Python."""

from __future__ import annotations

import pytest

pytest.importorskip("bokeh", reason="needs bokeh (the extra 'review')")

from concurrent.futures import Future
from pathlib import Path
from types import SimpleNamespace

from bokeh.document import Document
from review.pages import first, page_of, press

import sts
from sts.plan import Plan
from sts.review import Desk
from sts.review.page import Review
from sts.review.standing import Standing
from sts.session import Session


def decisions(path: Path) -> list[tuple[str, str, str]]:
    return list(Session.open(path).decisions()[["sweep", "action", "why"]].itertuples(index=False, name=None))


def test_it_opens_with_the_first_of_the_list_and_counts_it_as_looked_at(shown_desk: Desk) -> None:
    page = page_of(shown_desk)
    assert page.sweep == shown_desk.worklist["sweep"].iloc[0]
    assert shown_desk.worklist["looked"].iloc[0]
    assert page.sweep in page.head.text
    sections = page.doc.template_variables["sections"]
    assert list(sections) == ["status", "listing", "sweep", "decision", "answer"]
    assert [root.name for root in page.doc.roots] == [name for names in sections.values() for name in names]


def test_what_changes_with_each_sweep_is_a_root_of_its_own_since_a_root_is_laid_out_whole(shown_desk: Desk) -> None:
    page = page_of(shown_desk)
    texts = (page.head, page.list.counts, page.status, page.answer.words, page.answer.tips, page.decision.about)
    plots = [*page.heights.parts, *page.biases.parts, page.answer.by_tip, page.answer.spectrum]
    assert all(one in page.doc.roots for one in (*texts, *plots))
    assert not any(plot.syncable for plot in plots)


def test_keys_do_what_the_buttons_do_and_the_session_holds_it(demo: Path) -> None:
    page = page_of(demo)
    sweep = page.sweep
    page.decision.own.value = "tip touched"
    press(page, "x")
    assert decisions(demo) == [(sweep, "omit", "tip touched")]
    assert page.status.text == f"<p class='state'>Kept in the session: omit {sweep}.</p>"
    assert "left out" in page.head.text
    press(page, "u")
    assert [action for _, action, _ in decisions(demo)] == ["omit", "undo"]
    press(page, "k")
    assert decisions(demo)[-1][1] == "keep"
    press(page, "j")
    assert page.sweep == page.list.sweeps[1]
    press(page, "h")
    assert page.sweep == sweep
    press(page, "?")  # stands for nothing
    assert len(decisions(demo)) == 3


def test_keys_are_those_of_the_plan(small: Path) -> None:
    plan = Plan(review={"following": "n", "omit": "-"})
    page = page_of(small, plan=plan)
    start = page.sweep
    press(page, "j")
    assert page.sweep == start
    press(page, "n")
    assert page.sweep == page.list.sweeps[1]
    assert "[n]" in page.decision.buttons["following"].label


def test_the_answer_shows_what_a_decision_did(demo: Path) -> None:
    page = page_of(demo)
    before = page.answer.tips.text
    page.open(first(page, "iz"))
    page.decision.own.value = "to see what it does"
    press(page, "x")
    assert page.answer.tips.text != before
    assert "1 decided by a person" in page.answer.words.text
    then, now = page.answer.then.data, page.answer.now.data
    assert list(then["tip"]) == list(now["tip"])
    assert (then["y"] != now["y"]).sum() == 1
    press(page, "u")
    assert page.answer.tips.text == before


def test_the_answer_is_made_once_for_a_decision_and_goes_before_the_rest(
    small: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    page = page_of(small)
    made, told = [], []
    answer = page.desk.answer
    monkeypatch.setattr(page.desk, "answer", lambda: made.append(page.status.text) or answer())
    monkeypatch.setattr(page, "review_changed", lambda: told.append(page.answer.words.text))
    page.decision.own.value = "tip touched"
    press(page, "x")
    assert made == [f"<p class='state'>Kept in the session: omit {page.sweep}.</p>"]
    assert "1 decided by a person" in told[0]
    page.refresh()
    assert len(made) == 1


def test_two_windows_show_the_same(small: Path) -> None:
    review = Review(Desk(small))
    for _ in range(2):
        review.build(Document())
    one, other = review.pages
    assert "open in 2 windows" in one.status.text
    assert "open in 2 windows" in other.status.text
    one.decision.own.value = "tip touched"
    press(one, "x")
    assert "left out" in other.head.text
    assert other.list.source.data["state"][0] == "●✕✎"


def test_want_of_memory_is_told() -> None:
    told = []
    page = SimpleNamespace(doc=Document(), say=lambda text, refused: told.append(text))
    for words in ((), ("Unable to allocate 9 GiB",)):

        def too_much(words: tuple[str, ...] = words) -> None:
            raise MemoryError(*words)

        Review.work(None, page, too_much, lambda _: None)  # type: ignore[arg-type]
    assert told == ["Not enough memory.", "Unable to allocate 9 GiB"]


def test_a_change_from_outside_is_told_and_shown(demo: Path) -> None:
    page = page_of(demo)
    Session.open(demo).mark([page.sweep], "omit", "from the command line")
    page.look_outside()
    assert "from outside" in page.status.text
    assert "from the command line" in page.head.text


def test_a_session_that_may_not_be_written_is_looked_at_only(demo: Path) -> None:
    page = page_of(demo, read_only=True)
    assert "for looking only" in page.status.text
    assert page.decision.buttons["omit"].disabled
    page.decision.own.value = "tip touched"
    press(page, "x")
    assert decisions(demo) == []
    assert "no decision can be kept" in page.status.text
    press(page, "j")
    assert page.sweep == page.list.sweeps[1]
    assert "looking only" in page.review.notes[1]


def test_what_cannot_be_done_is_told_on_the_page(demo: Path) -> None:
    page = page_of(demo)
    page.decide(["nobody"], "omit", "why")
    assert "caution" in page.status.text
    assert "nobody" in page.status.text


def test_names_with_markup_are_shown_as_they_are(small: Path) -> None:
    evil = "<img src=x onerror=alert(1)>"
    sts.annotate_session(small, values={"site": evil})
    page = page_of(small)
    page.decision.own.value = evil
    press(page, "x")
    for name in page.list.sweeps:
        page.open(name)
        texts = [page.head.text, page.status.text, page.answer.words.text, page.answer.tips.text]
        assert all("<img" not in text for text in texts)
    assert "&lt;img" in page.head.text + page.answer.tips.text


def test_another_setting_and_back_to_the_rule(small: Path) -> None:
    page = page_of(small)
    page.settings.average.value = "median"
    assert page.desk.plan.spectra.average == "median"
    assert "spectra.average: median instead of mean" in page.settings.words.text
    page.change()
    assert page.desk.plan == Plan()
    assert page.settings.average.value == "mean"
    assert "All settings are the defaults" in page.settings.words.text


def test_every_sweep_of_both_kinds_is_drawn(shown_desk: Desk) -> None:
    page = page_of(shown_desk)
    for sweep in shown_desk.worklist.groupby(["kind", "tip"])["sweep"].first():
        page.open(sweep)
        shown = page.heights if page.heights.visible else page.biases
        assert len(shown.samples.data["x"]) > 10
        assert page.heights.visible != page.biases.visible


def test_the_page_is_used_before_all_are_measured_and_shows_the_answer_then(demo: Path, shown_desk: Desk) -> None:
    made: Future[Standing] = Future()
    review = Review(Desk(demo, standing=made))
    review.build(Document())
    page = review.pages[0]
    assert "Ready. Measuring all sweeps" in page.status.text
    assert "Measuring all sweeps" in page.answer.words.text
    assert page.list.choices["flag"].options == [("all", "all")]
    page.open(first(page, "iz"))
    assert len(page.heights.fit.data["x"]) > 10
    assert "eV" not in page.head.text
    sweep = page.sweep
    page.decision.own.value = "tip touched"
    press(page, "x")
    assert decisions(demo) == [(sweep, "omit", "tip touched")]
    page.decision.own.value = "half a reas"
    standing = Standing(Session.open(demo), Plan())
    made.set_result(standing)
    review.close()  # waits
    assert page.sweep == sweep
    assert "left out" in page.head.text
    assert "1 decided by a person" in page.answer.words.text
    assert page.list.sweeps[:5] == shown_desk.worklist["sweep"].tolist()[:5]
    assert len(page.list.choices["flag"].options) > 1
    assert page.decision.own.value == "half a reas"
    assert "doubtful ones stand first" in page.status.text


def test_what_cannot_be_measured_is_told_and_decisions_are_still_kept(small: Path) -> None:
    made: Future[Standing] = Future()
    review = Review(Desk(small, standing=made))
    review.build(Document())
    made.set_exception(ValueError("no room on the disk"))
    review._hand.submit(lambda: None).result()
    page = review.pages[0]
    assert "no room on the disk" in page.status.text
    press(page, "k")
    assert len(decisions(small)) == 1


def test_who_touches_nothing_finds_the_first_doubtful_sweep_when_all_are_measured(small: Path) -> None:
    made: Future[Standing] = Future()
    review = Review(Desk(small, standing=made))
    review.build(Document())
    page = review.pages[0]
    assert page.sweep == page.list.sweeps[0]
    assert review.desk.looked_at == (0, 10)
    made.set_result(Standing(Session.open(small), Plan()))
    review.close()
    assert page.sweep == page.list.sweeps[0] == review.desk.worklist["sweep"].iloc[0]
    assert review.desk.looked_at == (1, 10)
