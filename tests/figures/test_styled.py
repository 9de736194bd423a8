"""A new figure looks as on the page, also in a session with settings of its own; Axes given keep theirs."""

from __future__ import annotations

import pickle
from functools import partial

import matplotlib as mpl
import matplotlib.pyplot as plt
import pytest
from figures.drawings import BARRIER, HEIGHTS, SPECTRA
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from sts import figures

CALLS = {
    "fits": partial(figures.plot_iz_fits, BARRIER.fits[0], [1, 5]),
    "spectrum": partial(figures.plot_spectrum, SPECTRA[0]),
    "criterion": partial(figures.plot_smoothing_criterion, SPECTRA[0]),
    "setpoints": partial(figures.plot_setpoint_series, SPECTRA),
    "sweeps": partial(figures.plot_sweeps, HEIGHTS),
    "trend": partial(figures.plot_sweep_trend, BARRIER.sweeps),
    "window": partial(figures.plot_window_sensitivity, BARRIER.window, BARRIER.sweeps),
    "pairs": partial(figures.plot_tip_pairs, BARRIER.pairs),
}


def letters(drawn: Axes | list[Axes]) -> set[float]:
    axes = drawn if isinstance(drawn, list) else [drawn]
    figure = axes[0].figure
    legends = [box for ax in axes if (box := ax.get_legend())] + list(figure.legends)
    return {text.get_fontsize() for box in legends for text in box.get_texts()}


@pytest.mark.parametrize("name", CALLS)
def test_a_new_figure_has_the_letters_of_the_page_whatever_the_user_has_set(name: str) -> None:
    with mpl.rc_context({"legend.fontsize": 25, "font.size": 25}):
        assert letters(CALLS[name]()) == {6.0}
    plt.close("all")


def test_axes_that_are_given_keep_the_letters_of_their_user() -> None:
    with mpl.rc_context({"legend.fontsize": 25}):
        assert letters(figures.plot_smoothing_criterion(SPECTRA[0], ax=Figure().subplots())) == {25.0}


def test_a_drawing_can_still_go_to_another_process() -> None:
    assert pickle.loads(pickle.dumps(figures.plot_spectrum)) is figures.plot_spectrum
