"""Each kind of figure says how to read it, and every kind that is said is drawn somewhere."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import sts.report
from sts.report.captions import READING, Picture
from sts.report.folder import PARTS

SOURCES = [p.read_text(encoding="utf-8") for p in Path(sts.report.__file__).parent.glob("*.py")]
SECTIONS = {*PARTS["report"], "days"}  # of the page of a session, and of that of the record of tips


@pytest.mark.parametrize("kind", READING)
def test_good_bad_and_remedy_are_named_in_short_lines(kind: str) -> None:
    reading = READING[kind]
    assert reading.section in SECTIONS
    for line in (reading.shows, reading.good, reading.remedy):
        assert 20 < len(line) <= 160
        assert line.endswith(".")


def test_every_kind_is_made_by_some_module_and_no_other_kind_is() -> None:
    made = {kind for source in SOURCES for kind in re.findall(r'Picture\(\s*"(\w+)"', source)}
    assert made == set(READING)


def test_a_picture_hands_over_one_axis_or_as_many_as_its_rows() -> None:
    seen: list[dict[str, object]] = []
    one = Picture("tip_pairs", "n", "t", "f", lambda **kwargs: seen.append(kwargs))
    two = Picture("iz_fits", "n", "t", "f", lambda **kwargs: seen.append(kwargs), rows=(2.0, 1.0))
    one.draw(["a"])  # type: ignore[list-item]
    two.draw(["a", "b"])  # type: ignore[list-item]
    assert seen == [{"ax": "a"}, {"axes": ["a", "b"]}]
    assert (one.section, two.reading) == (READING["tip_pairs"].section, READING["iz_fits"])
