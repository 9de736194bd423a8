"""The edge of one band: the planted form is chosen, and what the noise leaves open is in the spread."""

from __future__ import annotations

import numpy as np
import pytest

from sts.spectra.gaps.band_forms import Blur
from sts.spectra.gaps.edge_fit import Curves, fit_edge

X = np.linspace(0.0, 1.0, 101)


def planted(exponent: float, noise: float, edge: float = 0.404) -> Curves:
    rng = np.random.default_rng(2)
    clean = np.where(edge < X, np.maximum(X - edge, 1e-12) ** exponent, 0.0)
    return Curves(X, clean + noise * rng.standard_normal((8, X.size)), np.arange(8))


@pytest.mark.parametrize("exponent", [0.0, 0.5, 1.0, 2.0])
def test_the_planted_form_is_the_likeliest(exponent: float) -> None:
    found = fit_edge(planted(exponent, 0.003), Blur())
    assert found is not None
    assert max(found.weights, key=lambda p: found.weights[p]) == exponent
    assert found.place == pytest.approx(0.404, abs=0.008)
    assert found.p > 0.01


def test_noise_leaves_the_form_open_and_the_spread_says_so() -> None:
    quiet, noisy = (fit_edge(planted(1.0, noise), Blur()) for noise in (0.003, 0.2))
    assert quiet is not None
    assert noisy is not None
    assert noisy.spread > 3 * quiet.spread
    assert len(noisy.weights) > len(quiet.weights)
