"""Steps that a sweep has by itself: steps of known size in curves of a closed form, and features that are none."""

from __future__ import annotations

import numpy as np
import pytest

from sts.spectra.faults.steps import fit_steps, has_step, own_steps

V = np.linspace(-1, 1, 201)
CLEAN = 1e-9 * (V + V**3)
NOISE = 2e-12


def noisy(curve: np.ndarray, seed: int = 0) -> np.ndarray:
    return curve + NOISE * np.random.default_rng(seed).standard_normal((1, V.size))


def places(current: np.ndarray, others: np.ndarray | None = None) -> tuple[np.ndarray, np.ndarray]:
    return own_steps(V, current, np.full(len(current), NOISE), factor=1.2, others=others)


def test_a_parabola_with_a_step_is_fitted_exactly_and_its_noise_is_that_of_least_squares():
    """numpy.linalg.lstsq of the same model: size, and the uncertainty of it for white noise."""
    x = np.arange(10.0)
    curve = 2 + 0.3 * x - 0.05 * x**2 + 4.0 * (x >= 5)
    fit = fit_steps(curve[None])
    assert fit.size[0, 0] == pytest.approx(4.0)
    assert fit.rest[0, 0] == pytest.approx(0.0, abs=1e-12)
    design = np.column_stack([np.ones(10), x, x**2, x >= 5])
    assert fit.gain == pytest.approx(np.sqrt(np.linalg.inv(design.T @ design)[3, 3]))


@pytest.mark.parametrize("half_way", [False, True])
def test_a_step_is_found_with_its_place_and_factor_caught_half_way_or_not(half_way: bool):
    curve = np.where(V > 0.403, 1.5, 1.0) * CLEAN
    if half_way:
        at = int(np.flatnonzero(V > 0.403)[0])
        curve[at] = 1.25 * CLEAN[at]
    place, size = places(noisy(curve))
    assert place[0] == pytest.approx(0.41, abs=0.011)
    assert size[0] == pytest.approx(1.5, abs=0.05)


@pytest.mark.parametrize("width", [0.02, 0.05, 0.2])
def test_a_peak_of_the_conductance_is_no_step(width: float):
    """The current through a peak of two samples and more at half height rises over several of them."""
    curve = CLEAN + 3e-10 * (1 + np.tanh((V - 0.3) / width))
    assert np.isnan(places(noisy(curve))[0]).all()


def test_a_spike_of_a_sample_is_no_step():
    curve = CLEAN.copy()
    curve[150] *= 2
    assert np.isnan(places(noisy(curve))[0]).all()


def test_what_the_others_do_as_well_is_a_feature_of_the_spectrum_and_what_one_does_is_a_jump():
    shared = np.array([noisy(np.where(0.3 + 0.02 * k < V, 1.5, 1.0) * CLEAN, k)[0] for k in range(4)])
    assert np.isnan(places(shared, shared)[0]).all()
    lone = np.array([noisy(np.where(0.3 + 9 * k < V, 1.5, 1.0) * CLEAN, k)[0] for k in range(4)])
    assert np.isfinite(places(lone, lone)[0]).tolist() == [True, False, False, False]


def test_a_step_that_the_group_shows_must_be_the_sweeps_own_unless_it_could_not_show():
    smooth, stepped = noisy(CLEAN)[0], noisy(np.where(V > 0.3, 1.5, 1.0) * CLEAN, 1)[0]
    both = np.array([smooth, stepped, noisy(CLEAN, 2)[0]])
    at = int(np.flatnonzero(V > 0.3)[0])
    assert has_step(stepped, at, 0.5 * CLEAN[at], NOISE, both) is True
    assert has_step(smooth, at, 0.5 * CLEAN[at], NOISE, both) is False
    assert has_step(smooth, 100, 1e-12, NOISE, both) is None  # at zero bias


def test_a_missing_sample_hides_what_is_beside_it_only():
    curve = noisy(np.where(V > 0.3, 1.5, 1.0) * CLEAN)
    curve[0, 40] = np.nan
    assert places(curve)[0][0] == pytest.approx(0.31, abs=0.011)
