"""Chosen spectra in one figure, with a label for each."""

from __future__ import annotations

import pytest
from figures.drawings import SPECTRA

from sts import figures
from sts.report.pictures_together import Together, together_picture


def test_all_spectra_are_drawn_under_their_labels() -> None:
    with figures.house_style():
        ax = figures.new_figure(width=86)[0]
        together_picture(SPECTRA, Together("normalised", ("a", "b"))).draw([ax])
        assert [t.get_text() for t in ax.get_legend().get_texts()] == ["a", "b"]  # type: ignore[union-attr]
    assert ax.get_ylabel() == "(dI/dV)/(I/V), no unit"


def test_labels_must_be_one_for_each() -> None:
    with pytest.raises(ValueError, match=r"3 labels for 2 spectra; .*100 pA; layered semiconductor, 300 pA"):
        together_picture(SPECTRA, Together(labels=("a", "b", "c")))
