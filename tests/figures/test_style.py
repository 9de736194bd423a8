"""Sizes, prefixes, spans and colours."""

from __future__ import annotations

import matplotlib as mpl
import numpy as np
import pytest
from numpy.testing import assert_allclose

from sts import figures
from sts.figures import style


def test_too_many_sweeps_are_thinned_and_the_legend_says_so() -> None:
    many = np.arange(1000)
    kept, words = style.thin_out(many)
    assert len(kept) <= style.MOST_SWEEPS
    assert words == ", every 4th drawn"
    assert style.thin_out(many[:10])[1] == ""


def test_sizes_are_those_of_journal_columns() -> None:
    for width, millimetres in (("single", 85), ("double", 178)):
        figure = figures.new_figure(width=width)[0].figure
        assert_allclose(figure.get_figwidth() * 25.4, millimetres)


def test_shaded_spans_cover_the_masked_points_and_half_a_step_more() -> None:
    x = np.linspace(-1, 1, 5)
    assert style.spans_where(x, np.abs(x) < 0.6) == [(-0.75, 0.75)]
    assert style.spans_where(x, x > 5) == []
    assert style.spans_where(x, x < -0.6) == [(-1.0, -0.75)]


def relative_luminance(colour: str) -> float:
    """WCAG 2.2, definition of relative luminance (W3C Recommendation)."""
    rgb = np.array(mpl.colors.to_rgb(colour))
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


def contrast(a: str, b: str) -> float:
    """WCAG 2.2, definition of contrast ratio."""
    high, low = sorted((relative_luminance(a), relative_luminance(b)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_contrast_formula_gives_the_known_extreme() -> None:
    """WCAG 2.2: contrast goes from 1:1 to 21:1, black on white."""
    assert_allclose(contrast("#000000", "#ffffff"), 21.0)


@pytest.mark.parametrize("colour", [*style.COLOURS, style.GREY])
def test_every_colour_stands_out_from_the_white_page(colour: str) -> None:
    """WCAG 2.2, 1.4.11: 3:1 for graphical objects."""
    assert contrast(colour, "#ffffff") >= 3.0


@pytest.mark.skipif("okabe_ito" not in mpl.colormaps, reason="this matplotlib has no table of the set")
def test_the_main_colours_are_those_of_okabe_and_ito() -> None:
    """matplotlib's own copy of the set is the reference."""
    published = {mpl.colors.to_hex(c) for c in mpl.colormaps["okabe_ito"].colors}  # type: ignore[attr-defined]
    assert {style.BLUE.lower(), style.VERMILLION.lower(), style.GREEN.lower(), style.BLACK} <= published


@pytest.mark.parametrize("below", [True, False])
def test_a_legend_that_is_wider_than_its_room_has_one_column(below: bool) -> None:
    """Names of samples and tips are long: two columns ran over the edge of the figure, or over the axis."""
    for name, columns in (("wren", 2), ("siskin on a film of gold, 0.66 eV: n = 4", 1)):
        ax = figures.new_figure()[0]
        for number in range(3):
            ax.plot([0, 1], [0, number], label=f"{number} {name}")
        style.legend(ax, below=below, columns=2)
        ax.figure.draw_without_rendering()
        boxes = ax.figure.legends if below else [ax.get_legend()]
        assert [len({text.get_window_extent().x0 for text in box.get_texts()}) for box in boxes] == [columns]
        assert boxes[0].get_window_extent().width <= ax.figure.bbox.width
