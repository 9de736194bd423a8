"""Savitzky-Golay integers, norms and noise gains of 5 to 13 points, of second and fourth order."""

from __future__ import annotations

import numpy as np
from numpy.testing import assert_allclose
from outside.rows import each, texts, value

from sts.curves.smoothing import Smoother, make_smoother

STEP = 0.02
AXIS = np.linspace(-1, 1, 101)


def smoother(points: int, order: int) -> Smoother:
    """With a window of so many points: the width of its kernel is the window's divided by √2 (order 2) or 2.4232 (4)."""
    return make_smoother(AXIS, width_V=points * STEP / (np.sqrt(2) if order == 2 else 2.4232), order=order)


def middle(points: int, order: int, derivative: int) -> np.ndarray:
    made = smoother(points, order)
    row = (made.derivative * STEP if derivative else made.smooth)[50]
    assert np.count_nonzero(row) <= points
    return row[50 - points // 2 : 51 + points // 2]


@texts("smoothing", "sg_*_2_0", "sg_*_4_0", "sg_*_2_1", "sg_*_4_1")
def test_integers_over_norm_are_the_kernel(name, text):
    points, order, derivative = (int(n) for n in name.split("_")[1:])
    expected = np.array(text.split(), float) / value("smoothing", f"{name}_norm")
    assert_allclose(middle(points, order, derivative), expected, atol=1e-11)


@each("smoothing", "sg_*_0_gain", "sg_*_1_gain")
def test_noise_gain(name, expected):
    points, order, derivative = (int(n) for n in name.split("_")[1:4])
    made = smoother(points, order)
    gain = made.noise_gain[50] * STEP if derivative else np.linalg.norm(made.smooth[50])
    assert_allclose(gain, expected, rtol=1e-9)


@texts("smoothing", "sg_lit_5", "sg_lit_7", "sg_lit_9", "sg_lit_11", "sg_lit_13")
def test_integers_as_they_stand_in_print(name, text):
    integers = np.array(text.split(), float)
    assert_allclose(middle(integers.size, 2, 0), integers / integers.sum(), atol=1e-11)


@each("smoothing", "sg_25_5")
def test_a_kernel_of_25_points_has_the_exact_coefficient_and_not_the_misprint(name, expected):
    kernel = middle(25, 2, 0) * 5175
    assert_allclose(kernel[12 + 5], expected, rtol=1e-9)
    assert abs(kernel[12 + 5] - value("smoothing", "sg_lit_25_bad")) > 0.9
