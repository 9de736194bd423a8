"""The size of a bend against the closed form of two slopes."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import optimize

from sts.barrier.bend_size import fitted_bend, slope_of

U = np.linspace(0, 1, 150)


def test_two_slopes_give_both_back_where_the_first_order_is_short() -> None:
    """I falls with 5.8 up to 0.4 and with 7.7 beyond; one exponential with an offset is fitted first, as the tool does."""
    true = np.exp(-7.7 * U + 1.9 * np.minimum(U, 0.4))
    sd = np.hypot(1e-3, 0.01 * true)

    def left(p: np.ndarray) -> np.ndarray:
        return (p[0] * np.exp(-p[1] * U) + p[2] - true) / sd

    amplitude, decay, _ = (fit := optimize.least_squares(left, [1.0, 6.0, 0.0])).x
    relative = amplitude * np.exp(-decay * U) / sd
    shapes = np.maximum(np.array([0.3, 0.4, 0.5])[:, None] - U, 0.0)
    which, size, more = fitted_bend(relative, 1 / sd, -fit.fun, U, shapes)
    assert which == 1
    assert decay + more == pytest.approx(7.7, rel=1e-3)  # beyond the place
    near = U < 0.4
    assert decay + more - size * slope_of(U, shapes[which], relative * near) == pytest.approx(5.8, rel=1e-3)
    assert decay < 6.5  # what one exponential says of all of it


def test_nothing_that_is_seen_gives_no_size() -> None:
    assert np.isnan(fitted_bend(np.zeros(150), np.zeros(150), np.zeros(150), U, U[None])[1])


def test_the_slope_of_a_straight_line_is_its_own() -> None:
    assert slope_of(U, 3 * U + 1, np.ones(150)) == pytest.approx(3)
    assert slope_of(U, U, np.zeros(150)) == 0
