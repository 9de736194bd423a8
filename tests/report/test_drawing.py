"""Pictures as bytes and as parts of a page."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET

import pytest

from sts.analysis import Analysis
from sts.report.drawing import draw, inline
from sts.report.pictures import gallery
from sts.report.summary import Summary


def test_figures_within_a_page_share_no_ids_but_one_set_of_letters(invented: Analysis) -> None:
    pictures = gallery(Summary(invented))
    hatched = next(p for p in pictures if p.kind == "normalised")  # its shading refers to a pattern from within a style
    drawn = [draw(picture, width="single") for picture in (*pictures[:2], hatched)]
    letters: set[str] = set()
    figures = [ET.fromstring(inline(one.svg, f"f{i}-", letters)) for i, one in enumerate(drawn)]
    ids = [element.get("id") for figure in figures for element in figure.iter() if element.get("id")]
    assert len(ids) == len(set(ids))
    for number, figure in enumerate(figures):
        targets = {element.get("href", "")[1:] for element in figure.iter() if element.get("href")}
        shapes = {name for e in figure.iter() for v in e.attrib.values() for name in re.findall(r"url\(#([^)]*)\)", v)}
        assert shapes
        targets |= shapes
        assert targets <= set(ids)
        assert all(target in letters or target.startswith(f"f{number}-") for target in targets)


def test_a_figure_of_very_many_points_holds_them_as_pixels(invented: Analysis, monkeypatch: pytest.MonkeyPatch) -> None:
    picture = next(p for p in gallery(Summary(invented)) if p.kind == "sweeps")
    lines = draw(picture, width="single").svg
    monkeypatch.setattr("sts.report.drawing.MOST_SVG_POINTS", 10)
    pixels = draw(picture, width="single").svg
    assert b"<image" not in lines
    assert b"<image" in pixels
    assert b"DejaVuSans-" in pixels  # words stay letters
    assert 'href="data:image/png' in inline(pixels, "f1-", set())
