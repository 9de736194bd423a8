"""Dips that do not reach zero: planted ones, and measured soft gaps and Coulomb-blockade dips."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from sts.quantities import BOLTZMANN_EV
from sts.spectra.gaps.soft_gap import dip_width, soft_gap_width

AXIS = np.linspace(-1.0, 1.0, 201)


def test_a_v_has_no_width_at_half_depth_and_a_dip_with_shoulders_has():
    assert np.isnan(soft_gap_width(AXIS, 0.1 + np.abs(AXIS))[0])
    assert np.isnan(soft_gap_width(AXIS[AXIS >= 0], 0.1 + AXIS[AXIS >= 0])[0])  # one side of zero only
    dip = 1 - 0.4 * np.exp(-((AXIS / 0.2) ** 2))
    assert soft_gap_width(AXIS, dip)[0] == pytest.approx(2 * 0.2 * np.log(2) ** 0.5, abs=0.03)  # closed form
    # Up to 2.4 half widths are looked at, 0.4 V here: an axis that ends just beyond is long enough, on either side.
    for short in (np.abs(AXIS) < 0.45, (AXIS > -0.45), (AXIS < 0.45)):
        assert soft_gap_width(AXIS[short], dip[short]) == pytest.approx(soft_gap_width(AXIS, dip))
    assert np.isnan(soft_gap_width(AXIS[np.abs(AXIS) < 0.35], dip[np.abs(AXIS) < 0.35])[0])


def test_the_width_of_a_dip_with_straight_flanks_is_exact_between_points():
    """A triangle of 0.4 below 1, 0.33 V to the left and 0.27 V to the right: half of its base (closed form)."""
    dip = 1 - 0.4 * np.clip(np.where(AXIS < 0, 1 + AXIS / 0.33, 1 - AXIS / 0.27), 0, 1)
    assert_allclose(dip_width(AXIS, dip), [0.4, 0.3], rtol=1e-9)


def test_measured_soft_gaps_are_of_the_published_order(opendata):
    """sts-nbs2-line: "a pronounced gap of the order of 20 meV" (abstract); its README finds 8 to 20 mV."""
    table = np.loadtxt(opendata / "sts-nbs2-line" / "figure3b_sts.txt", delimiter="\t", skiprows=1)[::-1]
    widths = [soft_gap_width(table[:, 0] * 1e-3, table[:, c])[0] for c in range(1, 8)]
    assert 8e-3 < np.nanmedian(widths) < 24e-3


@pytest.mark.parametrize(("name", "temperature_mK"), [("d475", 9.65), ("d483", 22.81), ("d489", 38.57)])
def test_measured_coulomb_blockade_dips_have_the_width_of_theory(opendata, name, temperature_mK):
    """5.439 N kT/e with N = 33 (J. P. Pekola et al. 1994); the measured ones are 5 to 13 % below (README)."""
    table = np.genfromtxt(opendata / "cbt-array-calibration" / f"{name}.csv", delimiter=",", names=True)
    g = np.mean([table[f"g_Cu_S_s{i}"] for i in range(1, 5)], axis=0)
    g = np.convolve(g, np.ones(15) / 15, mode="same")
    depth, width = dip_width(table["bias_mV"][10:-10] * 1e-3, g[10:-10])
    theory = 5.439 * 33 * BOLTZMANN_EV * temperature_mK * 1e-3
    assert_allclose(width, theory, rtol=0.17)
    assert 0.004 < depth < 0.04
