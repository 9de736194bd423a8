"""Densities of states against closed forms, sums of states and what they refuse."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import integrate

from sts.simulate.densities import DENSITIES, flat, gapped, make_density, superconductor, two_peaks, v_shaped

E = np.linspace(-1, 1, 401)


@pytest.mark.parametrize("name", sorted(DENSITIES))
def test_each_density_is_known_by_its_name_never_negative_and_keeps_the_shape(name: str) -> None:
    density = make_density(name)
    assert density.name == name
    found = density(E.reshape(1, -1))
    assert found.shape == (1, E.size)
    assert (found >= 0).all()
    assert np.isfinite(found).all()


def test_flat_and_v_shaped_are_lines() -> None:
    assert_allclose(flat()(E), 1.0)
    assert_allclose(v_shaped(floor=0.1, per_eV=3.0)([-0.5, 0.0, 0.25]), [1.6, 0.1, 0.85])


@pytest.mark.parametrize("exponent", [0.5, 1.0, 2.0])
def test_states_of_a_band_add_up_to_the_closed_form(exponent: float) -> None:
    """∫ (E - E_c)^p dE from the edge on is (E - E_c)^(p+1) / (p+1); in the gap there are none but the floor."""
    density = gapped(valence_eV=-0.2, conduction_eV=0.4, exponent=exponent)
    states, _ = integrate.quad(density, 0.4, 1.0)
    assert_allclose(states, 0.6 ** (exponent + 1) / (exponent + 1), rtol=1e-6)
    assert_allclose(density([-0.19, 0.0, 0.39]), 0.0)
    assert_allclose(gapped(exponent=0.0, floor=0.1)([-0.6, 0.0, 0.6]), [1.1, 0.1, 1.1])


def test_peaks_have_their_height_width_and_area() -> None:
    """A Gaussian falls to half at half its full width, and its area is height × width × √(π / ln 16)."""
    density = two_peaks(first_eV=-1.0, second_eV=1.0, width_eV=0.1, height=2.0, floor=0.5)
    assert_allclose(density([-1.05, -1.0, 0.0, 1.0, 1.05]), [1.5, 2.5, 0.5, 2.5, 1.5])
    area, _ = integrate.quad(lambda energy: density(energy) - 0.5, -1.5, -0.5, points=[-1.0])
    assert_allclose(area, 2.0 * 0.1 * np.sqrt(np.pi / np.log(16)), rtol=1e-6)


def test_a_gap_moves_states_and_loses_none() -> None:
    """∫ E/√(E² - Δ²) dE from Δ to E is √(E² - Δ²) (closed form); far away each state is there again."""
    ideal = superconductor(gap_eV=1e-3)
    assert ideal.breaks == (-1e-3, 1e-3)
    assert_allclose(ideal([-9e-4, 0.0, 9e-4]), 0.0)
    assert_allclose(ideal([2e-3, -2e-3]), 2 / np.sqrt(3))
    states, _ = integrate.quad(ideal, 1e-3, 5e-3)
    assert_allclose(states, np.sqrt(24) * 1e-3, rtol=1e-6)


def test_broadening_leaves_states_within_the_gap() -> None:
    """At zero energy the density is Γ/√(Γ² + Δ²) (closed form); without broadening it goes back to the ideal one."""
    assert_allclose(superconductor(gap_eV=1e-3, broadening_eV=1e-4)(0.0), 0.1 / np.sqrt(1.01))
    assert_allclose(superconductor(gap_eV=1e-3, broadening_eV=1e-12)(2e-3), superconductor(gap_eV=1e-3)(2e-3))


def test_what_cannot_be_is_refused() -> None:
    with pytest.raises(ValueError, match="must lie below the conduction edge"):
        gapped(valence_eV=0.5, conduction_eV=0.5)
    with pytest.raises(ValueError, match=r"no density of states called 'round'\. Known: flat, gapped"):
        make_density("round")
    with pytest.raises(ValueError, match=r"'flat' cannot be made: .*width"):
        make_density("flat", width=1.0)
