"""A grid gives what its spectra give one by one."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from sts.curves import make_smoother
from sts.spectra import normalise, spectra_of_grid

BIAS = np.linspace(-1, 1, 101)
CURRENT = 1e-9 * (BIAS + BIAS**3) * np.random.default_rng(0).uniform(0.5, 2, (60, 90, 1))


@pytest.mark.parametrize("kind", ["plain", "exponential", "root"])
def test_every_pixel_is_the_single_spectrum(kind: str):
    smoother = make_smoother(BIAS, width_V=0.1)
    form = {"kind": kind, "broadening_V": 0.2, "floor_S": 1e-10}
    didv, normalised = spectra_of_grid(CURRENT, smoother, **form)
    assert didv.shape == normalised.shape == CURRENT.shape  # 5400 spectra: more than one block
    for pixel in ((0, 0), (59, 89), (31, 7)):
        slope = smoother.differentiate(CURRENT[pixel])
        assert_allclose(didv[pixel], slope, rtol=1e-9)
        assert_allclose(normalised[pixel], normalise(BIAS, smoother.apply(CURRENT[pixel]), slope, **form)[0], rtol=1e-7)
    if (
        kind == "plain"
    ):  # normalisation.csv, cubic: (1 + 3b)/(1 + b) = 2 at V = 1; the parabola's window blurs it a little
        assert_allclose(normalised[..., -1], 2, rtol=0.01)
        assert_allclose(normalised[..., 50], 1)


def test_an_empty_spectrum_gives_no_number():
    smoother = make_smoother(BIAS, width_V=0.1)
    assert np.isnan(spectra_of_grid(np.zeros((2, 101)), smoother)[1]).all()


def test_another_axis_is_refused():
    with pytest.raises(ValueError, match="have 50 points, the smoother 101"):
        spectra_of_grid(CURRENT[..., :50], make_smoother(BIAS, width_V=0.1))
