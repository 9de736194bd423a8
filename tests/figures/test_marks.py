"""What is drawn stands in the table behind it."""

from __future__ import annotations

import numpy as np
import pytest
from figures.drawings import DRAWINGS, SPECTRA, drawn
from numpy.testing import assert_allclose

from sts import figures
from sts.figures import marks


@pytest.mark.parametrize("name", DRAWINGS)
def test_what_is_drawn_stands_in_the_table_behind_it(name: str) -> None:
    with figures.house_style():
        table = figures.data_behind(drawn(name))
    assert list(table.columns) == list(marks.DATA_COLUMNS)
    assert len(table) > 3
    assert np.isfinite(table["x"]).all()
    assert (table["x_axis"] != "").all()


def test_the_table_behind_a_spectrum_is_the_spectrum() -> None:
    with figures.house_style():
        table = figures.data_behind(drawn("spectrum"))
    mean = table[table["series"] == "mean"]
    assert mean["y_axis"].iloc[0] == "dI/dV (pS)"
    assert_allclose(mean["y"], SPECTRA[0].didv * 1e12, rtol=1e-12)
    band = table[table["mark"] == "band"]
    assert_allclose(band["low"], SPECTRA[0].didv_low * 1e12, rtol=1e-12)
