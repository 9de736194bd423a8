"""Figures of fitted models show data, model and residuals as they are, and say where there is no fit."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from figures.drawings import SPECTRA
from numpy.testing import assert_allclose

from sts.figures import data_behind, house_style, new_figure, plot_lockin, plot_model_fit
from sts.spectra.lockin.comparison import calibrate_lockin
from sts.spectra.models import MODELS
from sts.spectra.models.fitting import LineFit

MODEL = MODELS[0]
DATA = SPECTRA[0]
FIT = LineFit("good", 0.9 * DATA.didv, 0.1 * DATA.didv / DATA.didv_se, {}, {}, np.empty((0, 0)))


def test_the_curve_and_what_is_left_over_are_those_of_the_fit() -> None:
    with house_style():
        axes = plot_model_fit(replace(DATA, fits={MODEL.key: FIT}), MODEL, axes=new_figure(rows=(2.5, 1.0)))
        table = data_behind(axes)
        words = [text.get_text() for text in axes[0].get_legend().get_texts()]
    assert_allclose(table[table["series"] == "model"]["y"], 0.9 * DATA.didv * 1e12, rtol=1e-12)
    assert_allclose(table[table["series"] == "residual"]["y"], FIT.residual, rtol=1e-12)
    assert MODEL.title in words


def test_a_refused_fit_is_said_to_be_none() -> None:
    nothing = np.full(DATA.bias.shape, np.nan)
    refused = replace(FIT, verdict="refused: no dip", fitted=nothing, residual=nothing)
    with house_style():
        axes = plot_model_fit(replace(DATA, fits={MODEL.key: refused}), MODEL, axes=new_figure(rows=(2.5, 1.0)))
        words = [text.get_text() for text in axes[0].get_legend().get_texts()]
    assert "no fit (see the verdict)" in words


def test_a_model_that_was_not_asked_for_is_refused_with_the_setting() -> None:
    with pytest.raises(ValueError, match=rf"was not fitted to .*; set features\.{MODEL.key} = true"):
        plot_model_fit(replace(DATA, fits={}), MODEL)


def test_lock_in_and_derivative_are_drawn_as_they_are_with_their_difference_below() -> None:
    found = calibrate_lockin(1.1 * DATA.didv_each, DATA.didv_each)
    spectrum = replace(DATA, lockin=replace(found, curve=1.1 * DATA.didv))
    with house_style():
        axes = plot_lockin(spectrum, axes=new_figure(rows=(2.5, 1.0)))
        table = data_behind(axes)
    assert_allclose(table[table["series"] == "lock-in"]["y"], 1.1 * DATA.didv * 1e12, rtol=1e-12)
    assert_allclose(table[table["series"] == "difference"]["y"], 0.1 * DATA.didv * 1e12, rtol=1e-9)
    with pytest.raises(ValueError, match="nothing to compare"):
        plot_lockin(DATA)
