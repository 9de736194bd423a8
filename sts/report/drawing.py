"""Pictures drawn to bytes: the same picture gives the same bytes, and an SVG can stand inside a page."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from matplotlib.figure import Figure

from sts.figures.margins import set_margins
from sts.figures.marks import data_behind, points_drawn
from sts.figures.saving import save
from sts.figures.style import house_style, new_figure
from sts.naming import unique_files
from sts.plan import ReportPlan
from sts.report.captions import Picture
from sts.report.svg_paths import shorter_path
from sts.report.tables import csv_text

MOST_SVG_POINTS = 30_000  # beyond this a page with vector drawings gets slow and large


@dataclass(frozen=True)
class Drawn:
    """A picture as a piece of the page and as files."""

    picture: Picture
    svg: bytes
    files: dict[str, bytes]  # suffix: content


def draw(picture: Picture, *, width: str | float, formats: Sequence[str] = ()) -> Drawn:
    """Draw a picture for the page and, in other formats, as files beside the CSV behind it.

    Parameters
    ----------
    picture : Picture
    width : str or float
        ``"single"``, ``"double"`` or mm, where the picture names none.
    formats : sequence of str
        Suffixes of the files; the page has its SVG anyway.
    """
    with house_style():
        axes = new_figure(
            width=picture.width or width, height_in=picture.height_in, rows=picture.rows or (1.0,), share=picture.share
        )
        picture.draw(axes)
        figure = axes[0].figure
        assert isinstance(figure, Figure)
        figure.set_layout_engine(None)
        set_margins(figure, axes)
        if points_drawn(axes) > MOST_SVG_POINTS:
            for artist in (artist for ax in axes for artist in (*ax.lines, *ax.collections)):
                artist.set_rasterized(True)  # pixels within the SVG; axes and words stay lines
        drawn = {suffix: save(figure, suffix) for suffix in dict.fromkeys((*formats, "svg"))}
    files = {suffix: drawn[suffix] for suffix in formats} | {"csv": csv_text(data_behind(axes)).encode()}
    return Drawn(picture, drawn["svg"], files)


def draw_all(pictures: Sequence[Picture], plan: ReportPlan, progress: Callable[[int, int], None] | None) -> list[Drawn]:
    """Draw pictures one after the other, a figure for a paper also as PDF.

    Parameters
    ----------
    pictures : sequence of Picture
    plan : ReportPlan
        Width, and formats of the files.
    progress : callable(done, total), optional
        Told after each; one more step is left for writing.
    """
    drawn = []
    for picture in pictures:
        formats = [*plan.figure_formats, *(["pdf"] if picture.kind == "together" else [])]
        drawn.append(draw(picture, width=plan.width, formats=list(dict.fromkeys(formats))))
        if progress is not None:
            progress(len(drawn), len(pictures) + 1)
    return drawn


def figure_files(drawn: Sequence[Drawn]) -> dict[str, bytes]:
    """The files of figures, by their names within the folder of results; each figure has a name of its own.

    Parameters
    ----------
    drawn : sequence of Drawn
    """
    names = unique_files(figure_name(one.picture.name) for one in drawn)
    return {
        f"figures/{name}.{suffix}": data
        for one, name in zip(drawn, names, strict=True)
        for suffix, data in one.files.items()
    }


def figure_name(text: str) -> str:
    """A file name from any text: letters, digits, ``-`` and ``_``; it cannot leave its folder on any system.

    Parameters
    ----------
    text : str
    """
    name = re.sub(r"[^A-Za-z0-9_-]+", "_", text).strip("_")[:60]
    return name or "figure"


_SVG, _LINK = "{http://www.w3.org/2000/svg}", "{http://www.w3.org/1999/xlink}href"
_PLACE = re.compile(r"translate\(([-\d.]+) ([-\d.]+)\)(.*)", re.DOTALL)
_GLYPH = "DejaVuSans-"  # ids of letters: the same shape has the same id in every figure
ET.register_namespace("", _SVG[1:-1])
ET.register_namespace("xlink", _LINK[1:-5])


def inline(svg: bytes, prefix: str, letters: set[str]) -> str:
    """An SVG file as an element of a page, hidden from readers (the caption speaks).

    Parameters
    ----------
    svg : bytes
    prefix : str
        Makes the ids its own, whatever else stands on the page.
    letters : set of str
        Ids of the letters that the page has already; not defined again, and those of this figure are added.
    """
    root = ET.fromstring(svg)
    for element in list(root.iter()):
        if element.tag != f"{_SVG}style":
            element.text = element.tail = None  # indents
        for child in [c for c in element if c.tag == f"{_SVG}metadata" or c.get("id") in letters]:
            element.remove(child)
        element.attrib = {
            "href" if name == _LINK else name: _fit(name, value, prefix) for name, value in element.attrib.items()
        }
        _place_simply(element)
        if element.tag == f"{_SVG}g":
            element.attrib.pop("id", None)  # nothing refers to groups
            _say_style_once(element)
    letters |= {i for i in (element.get("id", "") for element in root.iter()) if i.startswith(_GLYPH)}
    for name in ("width", "height"):
        del root.attrib[name]  # the page says how wide
    root.attrib |= {"aria-hidden": "true", "focusable": "false"}
    return ET.tostring(root, encoding="unicode")


def _say_style_once(group: ET.Element) -> None:
    """Move the style of equal marks to their group."""
    styles = {mark.get("style") for mark in group}
    if len(styles) == 1 and "style" not in group.attrib and all(mark.tag == f"{_SVG}use" for mark in group):
        if style := styles.pop():
            group.set("style", style)
        for mark in group:
            mark.attrib.pop("style", None)


def _fit(name: str, value: str, prefix: str) -> str:
    """An attribute as the page has it: own ids, and coordinates to a hundredth of a point."""
    if name == "id":
        return value if value.startswith(_GLYPH) else f"{prefix}{value}"
    if name == _LINK:
        return value if value.startswith(("data:", f"#{_GLYPH}")) else f"#{prefix}{value[1:]}"
    if "url(#" in value:  # a clip, or the hatching of what is not to be trusted
        return value.replace("url(#", f"url(#{prefix}")
    if name == "d":
        return shorter_path(value)
    if name in ("x", "y"):
        return _rounded(value)
    return value


def _place_simply(element: ET.Element) -> None:
    """Say where an element is to a hundredth: of a point, or of a unit of which a letter is two thousand wide."""
    place = _PLACE.match(element.get("transform", ""))
    if place is None:
        return
    x, y, rest = _rounded(place[1]), _rounded(place[2]), place[3]
    element.set("transform", f"translate({x} {y}){rest}")
    if element.tag == f"{_SVG}use" and not rest and not {"x", "y"} & set(element.attrib):
        del element.attrib["transform"]  # x and y of a use move it as well
        element.attrib |= {name: at for name, at in (("x", x), ("y", y)) if at != "0"}


def _rounded(number: str) -> str:
    """A number to a hundredth."""
    return f"{float(number):.2f}".rstrip("0").rstrip(".")
