"""Pictures drawn to bytes: the same picture gives the same bytes, and an SVG can stand inside a page."""

from __future__ import annotations

import base64
import re
import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from sts.figures.saving import FORMATS, save, save_each, savers
from sts.figures.style import data_behind, house_style, new_figure, points_drawn
from sts.report.pictures import Picture
from sts.report.tables import csv_text

MOST_SVG_POINTS = 30_000  # beyond this a page with vector drawings gets slow and large
FEW = 8  # below this many pictures a helper process is not worth its start
PAGE_DPI = 200


@dataclass(frozen=True)
class Drawn:
    """A picture as files and as a piece of the page."""

    picture: Picture
    files: dict[str, bytes]  # suffix: content
    inline: str  # HTML: an svg element, or an img with its data


@dataclass(frozen=True)
class _Sketch:
    """A picture laid out but not saved."""

    picture: Picture
    axes: list[Axes]
    figure: Figure


def draw(picture: Picture, *, width: str, formats: Sequence[str] = FORMATS) -> Drawn:
    """Draw a picture once and save it in every format, with the CSV behind it."""
    sketch = _sketch(picture, width)
    return _drawn(sketch, save_each(sketch.figure, formats))


def draw_all(
    pictures: Sequence[Picture],
    *,
    width: str,
    processes: int = 1,
    progress: Callable[[int, int], None] = lambda done, total: None,
) -> list[Drawn]:
    """Draw pictures in all formats; `processes` share the saving, which takes most of the time."""
    drawn: list[Drawn] = []
    with savers(processes if len(pictures) >= FEW else 1) as work:
        begun = []
        for picture in pictures:
            sketch = _sketch(picture, width)
            begun.append((sketch, work.start(sketch.figure)))
            progress(len(begun), 2 * len(pictures))
        for sketch, started in reversed(begun):  # helpers begin with the first: meet them half-way
            drawn.append(_drawn(sketch, work.result(sketch.figure, started)))
            progress(len(begun) + len(drawn), 2 * len(pictures))
    return drawn[::-1]


def _sketch(picture: Picture, width: str) -> _Sketch:
    with house_style():
        axes = new_figure(
            width=picture.width or width, height_in=picture.height_in, rows=picture.rows, share=picture.share
        )
        picture.draw(axes)
        figure = axes[0].figure
        assert isinstance(figure, Figure)
        engine = figure.get_layout_engine()
        if engine is not None:
            engine.execute(figure)
            figure.set_layout_engine("none")  # laid out once, not again for each format
    return _Sketch(picture, axes, figure)


def _drawn(sketch: _Sketch, files: dict[str, bytes]) -> Drawn:
    with house_style():
        inline = _inline(sketch.figure, sketch.axes, sketch.picture, files)
    return Drawn(sketch.picture, files | {"csv": csv_text(data_behind(sketch.axes)).encode()}, inline)


def _inline(figure: Figure, axes: list[Axes], picture: Picture, files: dict[str, bytes]) -> str:
    if points_drawn(axes) <= MOST_SVG_POINTS:
        return inline_svg((files.get("svg") or save(figure, "svg")).decode(), picture.name)
    data = base64.b64encode(save(figure, "png", dpi=PAGE_DPI)).decode()
    return f'<img src="data:image/png;base64,{data}" alt="">'


GLYPH = "DejaVuSans-"  # ids of letters: the same shape has the same id in every figure
DECIMALS = re.compile(r"(\d\.\d\d)\d+")  # a hundredth of a point is finer than any screen


def share_letters(pieces: Sequence[str]) -> list[str]:
    """The figures of one page with each letter's shape kept once, where it first comes."""
    seen: set[str] = set()

    def once(found: re.Match[str]) -> str:
        if found.group(1) in seen:
            return ""
        seen.add(found.group(1))
        return found.group(0)

    return [re.sub(rf'<path id="({GLYPH}[^"]+)"[^>]*/>\s*', once, piece) for piece in pieces]


def _style_once(found: re.Match[str]) -> str:
    """A group of equal marks with their style said once, on the group."""
    styles = set(re.findall(r' style="([^"]*)"', found.group(2)))
    if len(styles) != 1 or "style=" in found.group(1):
        return found.group(0)
    marks = re.sub(r' style="[^"]*"', "", found.group(2))
    return f'<g{found.group(1)} style="{styles.pop()}">{marks}</g>'


def inline_svg(svg: str, name: str) -> str:
    """An SVG file as an element of a page: no prolog, ids of its own, hidden from readers (the caption speaks)."""
    svg = re.sub(r"^.*?(?=<svg)", "", svg, count=1, flags=re.DOTALL)
    svg = re.sub(r">\s+<", "><", svg)
    svg = re.sub(r"<metadata>.*?</metadata>", "", svg, flags=re.DOTALL)
    svg = re.sub(r' (d|x|y)="[^"]*"', lambda found: DECIMALS.sub(r"\1", found.group(0)), svg)
    prefix = f"f{zlib.crc32(name.encode()):x}"
    own = [i for i in re.findall(r'\bid="([^"]+)"', svg) if not i.startswith(GLYPH)]
    short = {long: f"{prefix}-{number}" for number, long in enumerate(own)}

    def renamed(found: re.Match[str]) -> str:
        return f"{found.group(1)}{short.get(found.group(2), found.group(2))}{found.group(3)}"

    svg = re.sub(r'(\bid=")([^"]+)(")', renamed, svg)
    svg = re.sub(r'(?:xlink:)?(href="#)([^"]+)(")', renamed, svg)
    svg = re.sub(r"(url\(#)([^)]+)(\))", renamed, svg)
    svg = re.sub(r'(<svg[^>]*?) width="[^"]*"', r"\1", svg, count=1)
    svg = re.sub(r'(<svg[^>]*?) height="[^"]*"', r"\1", svg, count=1)
    svg = re.sub(r"<g([^>]*)>((?:\s*<use [^>]*/>)+)\s*</g>", _style_once, svg)
    return svg.replace("<svg", '<svg aria-hidden="true" focusable="false"', 1)
