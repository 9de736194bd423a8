"""Results in a notebook: compact tables, with text escaped."""

from __future__ import annotations

import base64
import re
from dataclasses import replace
from io import BytesIO
from types import SimpleNamespace

from matplotlib.image import imread
from report.conftest import Outline

import sts
from sts.analysis import Analysis
from sts.notebook import analysis_html, barrier_html, spectrum_html, sweeps_html


def test_tables_are_well_formed_and_hold_the_counts(invented: Analysis) -> None:
    assert invented.barrier is not None
    assert invented.spectra is not None
    for text, part in (
        (sweeps_html(invented.sets[2]), "48"),
        (sweeps_html(invented.sets[0]), "-1.5 to 1.5 V, 121 points"),
        (spectrum_html(invented.spectra.spectra[0]), "gap 1150 ± 24 meV by log onset"),
        (barrier_html(invented.barrier.fits[0]), "and 36 more sweeps"),
        (analysis_html(invented), "5 of 6 pairs differ"),
    ):
        assert Outline(text).mistakes == []
        assert part in text


def test_sweeps_spectra_and_fits_show_a_figure_of_their_own(invented: Analysis) -> None:
    assert invented.barrier is not None
    assert invented.spectra is not None
    fit = invented.barrier.fits[0]
    for text in (sweeps_html(invented.sets[2]), spectrum_html(invented.spectra.spectra[0]), barrier_html(fit)):
        pictures = re.findall(r'<img [^>]*alt="[^"]+" src="data:image/png;base64,([^"]+)">', text)
        assert len(pictures) == 1
        picture = imread(BytesIO(base64.b64decode(pictures[0])))
        assert picture.std() > 0.05  # something is drawn on the white
    nothing = replace(fit, table=fit.table.assign(used=False))
    assert "<img" not in barrier_html(nothing)


def test_text_of_the_user_is_escaped(invented: Analysis) -> None:
    sweeps = replace(invented.sets[2], table=invented.sets[2].table.assign(tip="<b>x"))
    assert "<b>x" not in sweeps_html(sweeps)
    assert "&lt;b&gt;x" in sweeps_html(sweeps)


def test_left_out_sweeps_say_so(invented: Analysis) -> None:
    assert invented.barrier is not None
    fit = invented.barrier.fits[0]
    assert "left out [jump]" in barrier_html(replace(fit, table=fit.table[~fit.table["used"]]))


class Formatter:
    """The one method of a notebook's formatter that is used: a type by its module and name, then the function."""

    def __init__(self) -> None:
        self.known: dict[tuple[str, str], object] = {}

    def for_type_by_name(self, module: str, name: str, function: object) -> None:
        self.known[module, name] = function


def test_a_notebook_shows_every_kind_of_result(invented: Analysis) -> None:
    html = Formatter()
    sts.load_ipython_extension(SimpleNamespace(display_formatter=SimpleNamespace(formatters={"text/html": html})))
    assert invented.barrier is not None
    assert invented.spectra is not None
    for result in (invented, invented.sets[0], invented.barrier.fits[0], invented.spectra.spectra[0]):
        show = html.known.pop((type(result).__module__, type(result).__qualname__))
        assert show(result).startswith("<table>")  # type: ignore[operator]
    assert not html.known
