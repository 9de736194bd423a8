"""How alike neighbouring residuals are, against noise made by a general library."""

from __future__ import annotations

import numpy as np
from scipy.signal import lfilter

from sts.barrier.whitened import slow_correlation


def test_the_correlation_of_neighbours_is_found():
    rng = np.random.default_rng(2)
    noise = lfilter([0.8], [1, -0.6], rng.standard_normal((200, 400)))[:, 200:]
    signal, usable = np.ones((200, 200)), np.ones((200, 200))
    found, spread = slow_correlation(signal, noise, np.ones((200, 200)), usable, np.zeros(200))
    assert abs(np.median(found[1]) - 0.6) < 0.03
    assert np.all(np.abs(found[0]) < 1e-12)
    white = slow_correlation(signal, rng.standard_normal((200, 200)), np.ones((200, 200)), usable, np.ones(200))
    assert abs(white[0][0].std() / white[1][0].mean() - 1) < 0.2
    assert spread.shape == (3, 200)
