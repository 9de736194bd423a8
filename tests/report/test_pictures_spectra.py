"""Figures of spectra: those that hold something, with words that are numbers of the tables."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from sts.analysis import Analysis
from sts.report.pictures_spectra import MOST_SPECTRA, spectra_pictures


def kinds(analysis: Analysis, **changes: object) -> list[str]:
    assert analysis.spectra is not None
    spectra = tuple(replace(s, **changes) for s in analysis.spectra.spectra)  # type: ignore[arg-type]
    return [p.kind for p in spectra_pictures(replace(analysis.spectra, spectra=spectra), 0.95)]


def test_the_fullest_group_has_all_its_figures_and_the_other_the_first(invented: Analysis) -> None:
    found = kinds(invented)
    assert found.count("didv") == 2
    assert {"normalised", "directions", "smoothing"} <= set(found)
    assert found.count("normalised") == 1
    assert found[-1] == "setpoints"


def test_nothing_is_drawn_of_what_is_not_there(invented: Analysis) -> None:
    assert invented.spectra is not None
    nothing = np.full(invented.spectra.spectra[0].bias.shape, np.nan)
    assert "normalised" not in kinds(invented, normalised=nothing)
    assert "setpoints" not in kinds(invented, normalised=nothing)
    assert "directions" not in kinds(invented, half_difference=None)
    assert "smoothing" not in kinds(invented, criterion=None)


def test_no_more_spectra_are_drawn_than_can_be_looked_at(invented: Analysis) -> None:
    assert invented.spectra is not None
    many = replace(invented.spectra, spectra=invented.spectra.spectra * 6)
    found = [p.kind for p in spectra_pictures(many, 0.95)]
    assert found.count("didv") == MOST_SPECTRA
    assert "setpoints" not in found


def test_the_widest_width_tried_is_said_to_be(invented: Analysis) -> None:
    assert invented.spectra is not None
    one = invented.spectra.spectra[0]

    def words(chosen: list[bool]) -> str:
        table = pd.DataFrame({"width_V": [0.01, 0.02], "score": [2.0, 1.0], "chosen": chosen})
        made = replace(invented.spectra, spectra=(replace(one, criterion=table),))
        return next(p.finding for p in spectra_pictures(made, 0.95) if p.kind == "smoothing")

    assert "20 meV was chosen, the widest tried" in words([False, True])
    assert "10 meV was chosen from" in words([True, False])
    assert "no width was chosen" in words([False, False])
