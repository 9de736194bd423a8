"""Smoothing is a linear operator that keeps what it must, with the noise and the width that it states."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.signal import peak_widths, savgol_filter

from sts.curves.smoothing import METHODS, _half_widths, make_smoother, narrowest_width

RNG = np.random.default_rng(7)
EQUAL = np.linspace(-1, 1, 101)
UNEQUAL = np.sort(RNG.uniform(-1, 1, 120))

# A. Savitzky, M. J. E. Golay, Anal. Chem. 36, 1627 (1964), corrected by J. Steinier et al., Anal. Chem. 44, 1906
# (1972); recomputed in exact fractions (smoothing.csv: sg_5_2_0 ... sg_9_4_1, status computed; order 2, 5 to 9 points,
# also read in print: sg_lit_5, sg_lit_7, sg_lit_9, status seen). (points, order, derivative): integers, norm.
SAVITZKY_GOLAY = {
    (5, 2, 0): ([-3, 12, 17, 12, -3], 35),
    (7, 2, 0): ([-2, 3, 6, 7, 6, 3, -2], 21),
    (9, 2, 0): ([-21, 14, 39, 54, 59, 54, 39, 14, -21], 231),
    (5, 2, 1): ([-2, -1, 0, 1, 2], 10),
    (7, 2, 1): ([-3, -2, -1, 0, 1, 2, 3], 28),
    (9, 2, 1): ([-4, -3, -2, -1, 0, 1, 2, 3, 4], 60),
    (7, 4, 0): ([5, -30, 75, 131, 75, -30, 5], 231),
    (5, 4, 1): ([1, -8, 0, 8, -1], 12),
    (7, 4, 1): ([22, -67, -58, 0, 58, 67, -22], 252),
}
# smoothing.csv: sg_5_2_1_gain, sg_7_2_1_gain, sg_7_4_1_gain: white-noise gain sqrt(sum c^2), per step
GAIN = {(5, 2): 0.316227766017, (7, 2): 0.188982236505, (7, 4): 0.512412077889}


def window(points: int, order: int, step: float) -> float:
    """The width that gives a window of so many points (see `make_smoother`)."""
    return points * step / (np.sqrt(2) if order < 3 else 2.4232)


@pytest.mark.parametrize("case", SAVITZKY_GOLAY)
def test_published_integers_come_back_on_equal_steps(case: tuple[int, int, int]):
    points, order, derivative = case
    smoother = make_smoother(EQUAL, width_V=window(points, order, 0.02), order=order)
    row = (smoother.derivative * 0.02 if derivative else smoother.smooth)[50]
    integers, norm = SAVITZKY_GOLAY[case]
    inner = slice(50 - points // 2, 51 + points // 2)
    assert_allclose(row[inner] * norm, integers, atol=1e-9)
    assert np.count_nonzero(row) - np.count_nonzero(row[inner]) == 0


@pytest.mark.parametrize("case", GAIN)
def test_noise_gain_is_the_published_one_and_that_of_simulated_noise(case: tuple[int, int]):
    points, order = case
    smoother = make_smoother(EQUAL, width_V=window(points, order, 0.02), order=order)
    assert_allclose(smoother.noise_gain[50] * 0.02, GAIN[case], rtol=1e-9)
    noise = smoother.differentiate(RNG.standard_normal((4000, 101)))
    assert_allclose(noise.std(axis=0), smoother.noise_gain, rtol=0.07)


@pytest.mark.parametrize("order", [1, 2, 3, 4])
@pytest.mark.parametrize("derivative", [0, 1])
def test_whole_sweep_with_its_ends_agrees_with_scipy(order: int, derivative: int):
    """scipy.signal.savgol_filter with mode 'interp' is an independent implementation."""
    current = RNG.standard_normal((3, 101))
    smoother = make_smoother(EQUAL, width_V=window(11, order, 0.02), order=order)
    ours = smoother.differentiate(current) if derivative else smoother.apply(current)
    assert_allclose(ours, savgol_filter(current, 11, order, deriv=derivative, delta=0.02), atol=1e-9)


@pytest.mark.parametrize("axis", [EQUAL, UNEQUAL], ids=["equal", "unequal"])
@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("width", [0.05, 0.3])
def test_parabola_is_exact_everywhere(method: str, axis: np.ndarray, width: float):
    smoother = make_smoother(axis, width_V=width, method=method)
    curve = 1e-9 * (0.3 - 2 * axis + 5 * axis**2)
    assert_allclose(smoother.apply(curve), curve, atol=1e-19)
    assert_allclose(smoother.differentiate(curve), 1e-9 * (10 * axis - 2), atol=1e-17)


def test_quartic_is_exact_for_order_four_on_unequal_steps():
    smoother = make_smoother(UNEQUAL, width_V=0.2, order=4)
    assert_allclose(smoother.differentiate(UNEQUAL**4), 4 * UNEQUAL**3, atol=1e-9)


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("points", [201, 801])
def test_a_narrow_line_comes_out_as_wide_as_stated(method: str, points: int):
    """dI/dV of one step wide: the smoothed derivative of its integral is the kernel, measured by hand here."""
    axis = np.linspace(-1, 1, points)
    smoother = make_smoother(axis, width_V=0.2, method=method)
    middle = points // 2
    line = smoother.differentiate(np.where(np.arange(points) > middle, 1.0, 0.0))
    above = np.flatnonzero(line >= line.max() / 2)
    fine = np.interp(np.linspace(-1, 1, 40001), axis, line)
    measured = np.sum(fine >= fine.max() / 2) * 2 / 40000
    assert above.size > 3
    assert_allclose(measured, smoother.width, rtol=0.02)
    assert_allclose(smoother.width, 0.2, rtol=0.05)


def test_gaussian_derivative_has_the_kernel_of_a_gaussian():
    smoother = make_smoother(np.linspace(-1, 1, 1001), width_V=0.2, method="gaussian")
    offset, density = smoother.kernel()
    sigma = 0.2 / 2.354820045  # full width at half height of a Gaussian: 2 sqrt(2 ln 2) sigma
    assert_allclose(density, np.exp(-(offset**2) / 2 / sigma**2) / sigma / np.sqrt(2 * np.pi), atol=0.01)


def test_kernel_integrates_to_one_and_widths_hold_on_unequal_steps():
    for method in METHODS:
        smoother = make_smoother(UNEQUAL, width_V=0.2, method=method)
        offset, density = smoother.kernel(60)
        assert offset.shape == density.shape == (119,)
        assert_allclose(density @ np.diff(UNEQUAL), 1, rtol=1e-9)
        assert_allclose(smoother.width, 0.2, rtol=0.15)


def test_penalised_operator_minimises_what_it_says():
    """The solution of the same least-squares problem by numpy.linalg.lstsq."""
    axis = np.linspace(0, 1, 40)
    smoother = make_smoother(axis, width_V=0.3, method="penalised")
    length = 0.3 / 3.3123
    h = axis[1]
    weight = np.gradient(axis)
    third = np.diff(np.eye(40), n=3, axis=0) / h**3 * np.sqrt(h) * length**3
    current = RNG.standard_normal(40)
    stacked = np.vstack([np.diag(np.sqrt(weight)), third])
    expected = np.linalg.lstsq(stacked, np.r_[np.sqrt(weight) * current, np.zeros(37)], rcond=None)[0]
    assert_allclose(smoother.apply(current), expected, atol=1e-8)


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("width", [0.02, 0.3, 1.5])
def test_banded_product_is_the_plain_product(method, width):
    axis = np.sort(RNG.uniform(-1, 1, 150))
    smoother = make_smoother(axis, width_V=width, method=method)
    values = RNG.standard_normal((2, 3, 150))
    assert_allclose(smoother.apply(values), values @ smoother.smooth.T, atol=1e-10)
    slope = values @ smoother.derivative.T
    assert_allclose(smoother.differentiate(values), slope, atol=1e-12 * np.abs(smoother.derivative).sum(axis=1).max())


@pytest.mark.parametrize(
    ("change", "text"),
    [
        ({"method": "by eye"}, "it must be one of: local polynomial"),
        ({"order": 5}, "must be 1, 2, 3 or 4"),
        ({"width_V": 0.0}, "above zero"),
        ({"width_V": np.nan}, "above zero"),
        ({"axis": np.array([0.0, 1.0, 2.0])}, "3 points; smoothing of order 2 needs at least 4"),
        ({"axis": np.array([0.0, 1.0, 1.0, 2.0, 3.0])}, "must ascend"),
    ],
)
def test_bad_input_is_refused_in_words(change: dict, text: str):
    arguments = {"axis": EQUAL, "width_V": 0.1} | change
    with pytest.raises(ValueError, match=text):
        make_smoother(arguments.pop("axis"), **arguments)


def test_a_window_wider_than_the_sweep_or_narrower_than_a_step_still_works():
    curve = EQUAL**2
    for width in (1e-6, 50.0):
        assert_allclose(make_smoother(EQUAL, width_V=width).differentiate(curve), 2 * EQUAL, atol=1e-9)
    assert narrowest_width(EQUAL) == pytest.approx(4 * 0.02 / np.sqrt(2))


def test_half_widths_are_those_of_scipy_and_end_where_the_axis_ends():
    """Against scipy.signal.peak_widths (linear interpolation too); a triangle of base 2a is a wide at half height."""
    position = np.arange(41.0)
    gaussian = np.exp(-0.5 * ((position - 20.3) / 3.1) ** 2)
    triangle = np.clip(1 - np.abs(position - 20) / 7, 0, None)
    cut = np.exp(-0.5 * ((position - 1) / 5) ** 2)  # reaches half height on the right only
    widths = _half_widths(position, np.stack([gaussian, triangle, cut]), np.ones(41))
    top = np.array([gaussian.argmax()])
    tops = (gaussian[top], np.array([0]), np.array([40]))
    assert_allclose(widths[0], peak_widths(gaussian, top, rel_height=0.5, prominence_data=tops)[0])
    assert_allclose(widths[1], 7)
    beyond = int(np.argmax(cut < 0.5))
    right = beyond - 1 + (cut[beyond - 1] - 0.5) / (cut[beyond - 1] - cut[beyond])
    assert_allclose(widths[2], right + 0.5)


@pytest.mark.parametrize("order", [1, 2, 3, 4])
@pytest.mark.parametrize("width", [0.11, 0.3, 0.77, 3.0])
def test_one_sided_is_where_the_window_does_not_lie_around_the_point(order: int, width: float):
    """On equal steps the derivative of a window around its point is antisymmetric, and of no other window."""
    smoother = make_smoother(EQUAL, width_V=width, order=order)
    even = [
        row[: 2 * i + 1] if i <= 50 else row[2 * i - 100 :] for i, row in enumerate(smoother.derivative)
    ]  # of each row what lies around its point; the rest must be zero for a centred window
    centred = [
        np.allclose(part, -part[::-1], atol=1e-9 * np.abs(row).max())
        and np.isclose(np.abs(part).sum(), np.abs(row).sum())
        for part, row in zip(even, smoother.derivative, strict=True)
    ]
    assert not (smoother.one_sided & centred).any()
    assert smoother.one_sided[[0, -1]].all()
    assert (smoother.one_sided | centred).all()


def test_the_other_methods_count_a_width_from_the_ends():
    for method in ("gaussian", "penalised"):
        near = np.minimum(EQUAL + 1, 1 - EQUAL)
        assert (make_smoother(EQUAL, width_V=0.205, method=method).one_sided == (near < 0.199)).all()


@pytest.mark.parametrize("order", [1, 2, 3, 4])
def test_one_point_more_than_the_order_has_coefficients_is_enough_and_fewer_are_refused(order: int):
    """Polynomials up to the order are kept exactly, the derivative of x^order too (Savitzky and Golay, 1964)."""
    axis = np.linspace(0.0, 1.0, order + 2)
    smoother = make_smoother(axis, width_V=2.0, order=order)
    assert_allclose(smoother.derivative @ axis**order, order * axis ** (order - 1), atol=1e-9)
    with pytest.raises(ValueError, match=f"{order + 1} points; smoothing of order {order} needs at least {order + 2}"):
        make_smoother(axis[:-1], width_V=2.0, order=order)
