"""When the lock-in channel is offered as dI/dV: less noise and the same shape, and nothing else."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
from numpy.testing import assert_allclose
from spectra.two_channels import V, current, measured, spectrum

from sts.curves.smoothing import make_smoother
from sts.spectra.lockin.better import narrower


def test_a_noisy_channel_is_not_offered():
    rng = np.random.default_rng(2)
    said = [spectrum(measured(rng, 6, lockin=3e-9)) for _ in range(20)]
    assert not any(one.from_lockin for one in said)
    assert all("uncertainty" in one.source.why or "gain" in one.source.why for one in said)


def test_a_channel_of_another_shape_is_not_offered_and_it_is_said_where():
    one = spectrum(measured(np.random.default_rng(3), 8, white=1e-12, shape=0.05))
    assert not one.from_lockin
    assert "shape" in one.source.why


def test_the_spread_of_the_set_point_which_both_share_decides_nothing():
    one = spectrum(measured(np.random.default_rng(8), 8, level=0.1))
    assert one.from_lockin


def test_a_channel_that_does_not_follow_the_current_is_not_offered():
    sweeps = measured(np.random.default_rng(9), 6, gain=0.0, lockin=1e-12)
    assert not spectrum(sweeps).from_lockin


def test_where_the_channel_has_no_noise_its_uncertainty_is_that_of_the_gain():
    """Error propagation (textbook): u(a G) = G u(a), so that twice the uncertainty of the gain is twice that of the channel."""
    smoother = make_smoother(V, width_V=0.05)
    rows = np.random.default_rng(4).standard_normal((6, V.size)) * 1e-10

    def ratio(gain_se: float, unit: float) -> float:
        found = SimpleNamespace(curve=unit * current(V), rows=np.zeros((6, V.size)), gain=2.0, gain_se=gain_se)
        return narrower(SimpleNamespace(didv_rows=unit * rows), found, smoother)

    assert_allclose(ratio(0.02, 1.0) / ratio(0.01, 1.0), 2, rtol=1e-9)
    assert_allclose(ratio(0.01, 1e9), ratio(0.01, 1.0), rtol=1e-9)  # in nA
    assert ratio(0.01, 1.0) > 0
