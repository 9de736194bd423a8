"""Results in a notebook: compact tables, with text escaped."""

from __future__ import annotations

import base64
import re
from dataclasses import replace
from io import BytesIO
from typing import Any

from matplotlib.image import imread
from report.conftest import Outline

import sts
from sts.analysis import Analysis
from sts.barrier import local_barrier
from sts.notebook import analysis_html, barrier_html, barriers_html, spectra_html, spectrum_html, sweeps_html
from sts.session.adding import ImportResult


def test_tables_are_well_formed_and_hold_the_counts(invented: Analysis) -> None:
    assert invented.barrier is not None
    assert invented.spectra is not None
    for text, part in (
        (sweeps_html(invented.sets[2]), "48"),
        (sweeps_html(invented.sets[0]), "-1.5 to 1.5 V, 121 points"),
        (spectrum_html(invented.spectra.spectra[0]), "gap 1162 ± 30 meV by band edges"),
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


def results(invented: Analysis) -> list[Any]:
    """One of every kind of result that draws something."""
    assert invented.barrier is not None
    assert invented.spectra is not None
    made = sts.simulate_iz(barrier_eV=4.0, sweeps=3, seed=1, tip="W")
    fit = invented.barrier.fits[0]
    file = sts.LoadedFile("heron.txt", b"", "text", "", (invented.sets[2],), ("sign turned",))
    return [invented, invented.barrier, invented.spectra, invented.sets[0], fit, invented.spectra[0],
            local_barrier(fit), made, file]  # fmt: skip


def test_a_notebook_shows_every_kind_of_result_as_a_table_and_a_figure(invented: Analysis) -> None:
    for result in results(invented):
        text = result._repr_html_()
        assert text.startswith("<table>"), type(result)
        assert text.count("<img ") == 1, type(result)
        assert Outline(text).mistakes == []


def test_a_result_without_a_figure_shows_its_fields() -> None:
    made = ImportResult(added=["a.txt"], sweeps=3)
    text = made._repr_html_()
    assert "[&#x27;a.txt&#x27;]" in text
    assert "<img" not in text


def test_tips_and_verdicts_are_in_the_tables(invented: Analysis) -> None:
    assert invented.barrier is not None
    assert invented.spectra is not None
    assert "eV; 3 sites, 12 sweeps" in barriers_html(invented.barrier)
    assert "Which tip was good?" in analysis_html(invented)
    assert "layered semiconductor, 300 pA" in spectra_html(invented.spectra)
