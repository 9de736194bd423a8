"""The gap equation against a published table."""

from __future__ import annotations

import pytest
from numpy.testing import assert_allclose

from sts.spectra.models.gap_equation import gap_ratio

# superconductivity.csv, status seen: B. Mühlschlegel, Z. Phys. 155, 313 (1959), as transcribed in seven public copies.
MUEHLSCHLEGEL = [  # T/Tc, Δ(T)/Δ(0), four printed digits
    (0.18, 1.0000),
    (0.20, 0.9999),
    (0.22, 0.9997),
    (0.24, 0.9994),
    (0.26, 0.9989),
    (0.28, 0.9982),
    (0.30, 0.9971),
    (0.32, 0.9957),
    (0.34, 0.9938),
    (0.36, 0.9915),
    (0.38, 0.9885),
    (0.40, 0.9850),
    (0.42, 0.9809),
    (0.44, 0.9760),
    (0.46, 0.9704),
    (0.48, 0.9641),
    (0.50, 0.9569),
    (0.52, 0.9488),
    (0.54, 0.9399),
    (0.56, 0.9299),
    (0.58, 0.9190),
    (0.60, 0.9070),
    (0.62, 0.8939),
    (0.64, 0.8796),
    (0.66, 0.8640),
    (0.68, 0.8471),
    (0.70, 0.8288),
    (0.72, 0.8089),
    (0.74, 0.7874),
    (0.76, 0.7640),
    (0.78, 0.7386),
    (0.80, 0.7110),
    (0.82, 0.6810),
    (0.84, 0.6480),
    (0.86, 0.6117),
    (0.88, 0.5715),
    (0.90, 0.5263),
    (0.92, 0.4749),
    (0.94, 0.4148),
    (0.96, 0.3416),
    (0.98, 0.2436),
    (1.00, 0.0000),
]


@pytest.mark.parametrize(("temperature", "ratio"), MUEHLSCHLEGEL)
def test_the_gap_equation_gives_the_published_table(temperature, ratio):
    assert_allclose(gap_ratio(temperature), ratio, atol=6e-5)  # four printed digits


def test_far_below_the_critical_temperature_the_gap_is_whole():
    """1 - Δ(T)/Δ(0) falls as exp(-1.76/t): below 1e-30 from t = 0.02 on (closed form), where the sum is no longer taken."""
    assert_allclose(gap_ratio([0.0, 0.01, 0.0199, 0.021]), 1.0, atol=1e-9)
