"""A band's onset through temperature, modulation and smoothing, against numerical integration."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.integrate import quad

from sts.spectra.gaps.band_forms import Blur

PLACES = np.linspace(-0.2, 0.5, 8)


@pytest.mark.parametrize("exponent", [0.0, 0.5, 1.0, 2.0])
def test_an_onset_through_the_fermi_function_is_the_integral(exponent: float) -> None:
    kT = 8.617333e-5 * 295

    def seen(place: float, u: float) -> float:
        return float((place - u) ** exponent / (4 * kT * np.cosh(u / 2 / kT) ** 2)) if place > u else 0.0

    truth = [quad(lambda u, place=place: seen(place, u), -0.7, min(place, 0.5), limit=200)[0] for place in PLACES]
    assert_allclose(Blur(temperature_K=295).edge(exponent, PLACES), truth, atol=2e-4)


def test_a_box_of_smoothing_makes_a_ramp_of_a_step() -> None:
    box = Blur(smoothing=(np.arange(-5, 6) * 0.01, np.ones(11)))
    assert_allclose(box.edge(0.0, np.array([-0.06, 0.0, 0.0275, 0.06])), [0, 0.5, 0.75, 1], atol=0.02)


def test_nothing_that_broadens_leaves_the_form_as_it_is() -> None:
    assert_allclose(Blur().edge(2.0, PLACES), np.maximum(PLACES, 0) ** 2)
    assert Blur().width == 0
