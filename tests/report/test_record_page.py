"""The page of the record: the answer first, by verdict; whole in itself; what is measured stands with its interval."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from sts.report.drawing import draw
from sts.report.record_page import MOST_CHARTS, record_pictures, render_record, rule


@pytest.fixture(scope="module")
def page(tip_record):
    return render_record(tip_record, [draw(picture, width="single") for picture in record_pictures(tip_record)])


def test_first_lines_say_of_each_tip_whether_it_is_as_it_was(page, tip_record):
    first = page.index("Is each tip still as it was?")
    places = [page.index(sentence.split(" (95")[0], first) for sentence in tip_record.tips["sentence"]]
    assert places == sorted(places)  # in order of verdict
    assert max(places) < page.index("Tips over all days")
    assert "stork: changed" in page


def test_the_rate_of_false_alarms_stands_on_page_and_figure(page, tip_record):
    assert "one day in 100" in rule(tip_record)
    assert page.count("one day in 100") >= 1 + len(record_pictures(tip_record))
    rarer = replace(tip_record, plan=tip_record.plan.model_copy(
        update={"record": tip_record.plan.record.model_copy(update={"false_alarm": 0.002})}))  # fmt: skip
    assert "one day in 500" in rule(rarer)


def test_tips_that_changed_have_the_first_chart_and_single_days_none(tip_record):
    assert [picture.title for picture in record_pictures(tip_record)] == ["stork", "heron"]
    assert MOST_CHARTS >= 20


def test_page_asks_nobody_for_anything_and_names_what_is_in_it(page):
    addresses = set(re.findall(r"https?://[^\s\"'<>]+", page))
    assert addresses <= {"http://www.w3.org/1999/xlink", "http://www.w3.org/2000/svg"}
    assert "default-src 'none'" in page
    assert "<script" not in page
    ids = re.findall(r'\bid="([^"]+)"', page)
    assert len(ids) == len(set(ids))
    for link in re.findall(r'href="#([^"]+)"', page):
        assert link in ids
    assert page.count("<table>") == page.count("<caption")
    assert len(page) < 300_000


def test_columns_in_which_no_tip_has_anything_are_left_out(tip_record):
    """A table wider than the page hides its last column, the reasons of the verdict."""
    bare = replace(tip_record, days=tip_record.days.assign(sample=""), tips=tip_record.tips.assign(sample=""))
    text = render_record(bare, [])
    assert "Sample</th>" not in text
    assert "Why</th>" in text
    named = render_record(replace(bare, tips=bare.tips.assign(sample="gold")), [])
    assert named.count("Sample</th>") == 1


def test_names_that_look_like_markup_stay_text(tip_record):
    odd = replace(tip_record, tips=tip_record.tips.assign(sample="<script>x"), notes=("<b>bold",))
    text = render_record(odd, [])
    assert "<script>" not in text
    assert "&lt;b&gt;bold" in text


def test_a_day_has_its_numbers_with_intervals_and_its_limits(page):
    days = page.rpartition("Every day of every tip")[2]
    row = re.search(r"<tr><th scope=\"row\">stork</th>(?:(?!</tr>).)*2026-11-14(?:(?!</tr>).)*</tr>", days, re.DOTALL)
    assert row is not None
    cells = re.findall(r"<td[^>]*>(.*?)</td>", row.group(0))
    assert "changed" in cells
    assert re.fullmatch(r"\d\.\d+ \(\d\.\d+ to \d\.\d+\)", cells[cells.index("changed") + 1])
    assert sum(bool(re.fullmatch(r"\d\.\d\d to \d\.\d\d", cell)) for cell in cells) == 1
