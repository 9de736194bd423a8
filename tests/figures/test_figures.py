"""Figures draw what they are given, name every unit, and can be read by everybody."""

from __future__ import annotations

import os
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from figures.drawings import BARRIER, DRAWINGS, SPECTRA, drawn
from matplotlib.figure import Figure
from matplotlib.image import imread

from sts import figures

PICTURES = Path(__file__).parent / "baseline"
TOLERANCE = 0.02  # of full white: a pixel of blur passes, a curve that moved does not
BASELINE = ("spectrum", "normalised", "iz_fits", "by_tip", "pairs", "sweeps_iz")


@pytest.mark.parametrize("name", DRAWINGS)
def test_every_axis_with_numbers_names_its_unit(name: str) -> None:
    with figures.house_style():
        for ax in drawn(name):
            shared_below = ax.get_xlabel() == "" and len(ax.figure.axes) > 1
            labels = [] if shared_below else [ax.get_xlabel()]
            if ax.get_ylabel() or not any(t.get_text() for t in ax.get_yticklabels()):
                labels.append(ax.get_ylabel())
            for label in labels:
                has_unit = re.search(
                    r"\((m?V|[nµ]m|eV|m?eV|min|[afpnµm]?A|[afpnµm]?S|start times not recorded)\)", label
                )
                bare = re.search(r"no unit|[nN]umber|/ noise|/ least error|^(Tip|Day)$", label)
                assert has_unit or bare, f"{name}: '{label}' has no unit"


@pytest.mark.parametrize("name", [n for n in DRAWINGS if n != "timeline"])
def test_a_legend_or_the_rows_say_how_many_or_what_a_band_means(name: str) -> None:
    with figures.house_style():
        axes = drawn(name)
        figure = axes[0].figure
        legends = [legend for ax in axes if (legend := ax.get_legend())] + list(figure.legends)
        assert legends, name


def test_bias_axis_states_the_convention() -> None:
    with figures.house_style():
        for name in ("spectrum", "normalised", "sweeps_iv", "directions", "setpoints"):
            assert "sample relative to tip" in drawn(name)[0].get_xlabel()


def test_figures_without_their_data_say_what_is_missing() -> None:
    bare = replace(SPECTRA[0], criterion=None, half_difference=None)
    with pytest.raises(ValueError, match="not chosen from repeats"):
        figures.plot_smoothing_criterion(bare)
    with pytest.raises(ValueError, match="no pair of upward and downward"):
        figures.plot_direction_difference(bare)
    with pytest.raises(ValueError, match="'single' or 'double'"):
        figures.new_figure(width="triple")
    with pytest.raises(ValueError, match="1 axes were given; this figure needs 2"):
        figures.plot_iz_fits(BARRIER.fits[0], [0], axes=figures.new_figure())


def test_a_figure_given_no_axes_makes_its_own() -> None:
    import matplotlib.pyplot as plt

    ax = figures.plot_tip_pairs(BARRIER.pairs)
    assert ax.get_xlabel().startswith("Ratio")
    upper, lower = figures.plot_iz_fits(BARRIER.fits[0], [0])
    assert upper.figure is lower.figure
    plt.close("all")


# --- colours -------------------------------------------------------------------------------------------------------


# --- pictures ------------------------------------------------------------------------------------------------------


def difference(name: str, figure: Figure, folder: Path) -> float:
    """Root mean square difference of a figure from the picture that was judged (0 to 1)."""
    figure.savefig(folder / "now.png", dpi=70, metadata={"Software": None})
    now, then = (imread(path)[..., :3] for path in (folder / "now.png", PICTURES / f"{name}.png"))
    assert now.shape == then.shape
    return float(np.sqrt(np.mean((blurred(now) - blurred(then)) ** 2)))


@pytest.mark.parametrize("name", BASELINE)
def test_figure_looks_as_it_did_when_it_was_judged(name: str, tmp_path: Path) -> None:
    """Tolerant: fonts are drawn a little differently by other versions. STS_WRITE_BASELINE=1 writes the pictures."""
    with figures.house_style():
        figure = drawn(name)[0].figure
        assert isinstance(figure, Figure)
        if os.environ.get("STS_WRITE_BASELINE"):
            figure.savefig(PICTURES / f"{name}.png", dpi=70, metadata={"Software": None})
        assert difference(name, figure, tmp_path) < TOLERANCE


@pytest.mark.parametrize("name", BASELINE)
def test_the_picture_test_notices_what_is_missing(name: str, tmp_path: Path) -> None:
    with figures.house_style():
        ax = drawn(name)[0]
        for artist in [*ax.lines, *ax.collections]:
            artist.remove()
        assert isinstance(ax.figure, Figure)
        assert difference(name, ax.figure, tmp_path) > TOLERANCE


@pytest.mark.parametrize("name", BASELINE)
def test_the_picture_test_notices_other_numbers(name: str, tmp_path: Path) -> None:
    with figures.house_style():
        ax = drawn(name)[0]
        low, high = ax.get_ylim()
        ax.set_ylim(low, low * (high / low) ** 1.3 if ax.get_yscale() == "log" else low + 1.3 * (high - low))
        assert isinstance(ax.figure, Figure)
        assert difference(name, ax.figure, tmp_path) > TOLERANCE


def blurred(image: np.ndarray) -> np.ndarray:
    """A picture at a third of its size: a pixel's shift of a letter does not count, a missing curve does."""
    h, w = image.shape[0] // 3 * 3, image.shape[1] // 3 * 3
    return image[:h, :w].reshape(h // 3, 3, w // 3, 3, 3).mean(axis=(1, 3))
