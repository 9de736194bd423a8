"""Which figures an analysis has: those of what was measured, no others."""

from __future__ import annotations

from dataclasses import replace

from sts.analysis import Analysis
from sts.report.pictures import gallery
from sts.report.summary import Summary


def test_names_differ_and_sections_stand_in_the_order_of_the_page(invented: Analysis) -> None:
    pictures = gallery(Summary(invented))
    assert len({p.name for p in pictures}) == len(pictures)
    sections = list(dict.fromkeys(p.section for p in pictures))
    assert sections[0] == "lead"
    assert [s for s in sections if s not in ("lead", "made")] == ["tips", "barrier", "spectra", "session"]


def test_what_was_not_measured_is_not_drawn(invented: Analysis) -> None:
    without = {p.section for p in gallery(Summary(replace(invented, barrier=None)))}
    assert without == {"lead", "made", "spectra", "session"}
    without = {p.section for p in gallery(Summary(replace(invented, spectra=None)))}
    assert without == {"lead", "made", "tips", "barrier", "session"}
