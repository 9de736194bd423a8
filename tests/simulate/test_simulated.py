"""What a simulation gives is made when it is asked for."""

from __future__ import annotations

import pickle

from numpy.testing import assert_allclose

from sts.simulate import simulate_iv, simulate_iz


def test_the_conductance_is_made_when_it_is_asked_for_and_goes_along_into_a_pickle():
    made = simulate_iv(density="v_shaped", bias=(-1.0, 1.0, 11))
    copy = pickle.loads(pickle.dumps(made))
    assert_allclose(copy.conductance, made.conductance, rtol=0)
    assert copy.conductance.shape == (11,)
    assert simulate_iz(barrier_eV=4.0).conductance is None
