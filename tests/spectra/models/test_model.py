"""An entry of the list of models: its columns, units, and what of a fit is shown."""

from __future__ import annotations

import numpy as np
import pytest

from sts.spectra.models.fitting import LineFit
from sts.spectra.models.model import Model, Parameter

GAP = Parameter("gap", "Δ", "meV", 1e3, "half the gap")
SHAPE = Parameter("q", "q", "", 1.0, "asymmetry")


def never(*_: object) -> LineFit:
    raise AssertionError("nothing is fitted here")


MODEL = Model("line", "A line", "ln", "Nobody1900", (GAP, SHAPE), never)


def test_headings_name_units_where_there_are_some() -> None:
    assert (GAP.heading, SHAPE.heading) == ("Δ (meV)", "q")
    assert MODEL.columns(GAP) == ("ln_gap_meV", "ln_gap_se_meV")
    assert MODEL.columns(SHAPE) == ("ln_q", "ln_q_se")


def test_a_row_is_in_the_units_of_its_columns_and_leaves_out_what_was_held() -> None:
    fit = LineFit(
        "good", np.zeros(3), np.zeros(3), {"gap": 1.5e-3, "q": 2.0}, {"gap": 1e-5}, np.eye(1), reduced_chi2=1.1
    )
    row = MODEL.row(fit)
    ends = {"ln_gap_low_meV": 1.5 - 0.01959964, "ln_gap_high_meV": 1.5 + 0.01959964}  # 1.959964 u
    expected = {"ln_gap_meV": 1.5, "ln_gap_se_meV": 0.01, **ends, "ln_reduced_chi2": 1.1, "line": "good"}
    assert row == pytest.approx(expected)
    assert MODEL.row(fit, 0.68)["ln_gap_high_meV"] == pytest.approx(1.5 + 0.01, rel=1e-3)
    assert MODEL.numbers(fit)["values"] == {"gap": 1.5e-3, "q": 2.0}  # all of them, in SI


def test_a_refused_fit_has_its_columns_without_numbers() -> None:
    row = MODEL.row(LineFit("refused: flat", np.zeros(3), np.zeros(3), {}, {}, np.empty((0, 0))))
    assert all(np.isnan(row[name]) for name in ("ln_gap_meV", "ln_gap_se_meV", "ln_q", "ln_q_se"))
    assert row["line"] == "refused: flat"


def test_every_column_has_its_meaning() -> None:
    fit = LineFit("good", np.zeros(3), np.zeros(3), {"gap": 1.0, "q": 1.0}, {"gap": 1.0, "q": 1.0}, np.eye(2))
    assert set(MODEL.meanings()) == set(MODEL.row(fit))
