"""Which spectra look like a superconducting gap: simulated ones of every kind, and what is told of the others."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sts.simulate import flat, gapped, superconductor, tunnel_conductance, v_shaped
from sts.spectra.models import Measured
from sts.spectra.models.dip import why_not_tried


def shaped(reach: float = 8e-3, temperature: float = 1.8, noise: float = 0.01, density: object = None) -> Measured:
    v = np.linspace(-reach, reach, 161)
    density = density or superconductor(gap_eV=1.35e-3, broadening_eV=5e-5)
    g = tunnel_conductance(v, density, temperature_K=temperature)
    g = g / g[-1]
    rng = np.random.default_rng(1)
    return Measured(v, g + noise * rng.standard_normal(v.size), np.full(v.size, noise), temperature)


@pytest.mark.parametrize(
    ("shape", "changed", "why"),
    [
        ({}, {}, ""),
        ({"noise": 0.05}, {}, ""),
        ({"reach": 4e-3}, {}, ""),
        ({"temperature": 4.2}, {}, ""),
        ({"density": superconductor(gap_eV=1.35e-3, broadening_eV=4e-4)}, {}, ""),
        ({}, {"temperature_K": float("nan")}, "the temperature is not recorded"),
        ({}, {"temperature_K": 77.0}, "taken at 77 K, above 20 K"),
        ({"density": v_shaped(), "reach": 0.1, "temperature": 15.0}, {}, "no shoulders"),
        (
            {"density": gapped(valence_eV=-0.3, conduction_eV=0.3), "reach": 1.0, "temperature": 15.0},
            {},
            "no shoulders",
        ),
        ({"density": flat()}, {}, "falls by"),
        ({}, {"bias": np.linspace(1e-3, 9e-3, 161)}, "both sides of zero"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_a_gap_is_looked_for_only_where_a_dip_has_shoulders_at_low_temperature(shape, changed, why):
    """Metals, a V-shaped density and a semiconductor are none; lead-like gaps at 1.8 and 4.2 K, sharp or broadened, are."""
    measured = replace(shaped(**shape), **changed)
    found = why_not_tried(measured, 20.0)
    assert (found == "") if why == "" else (why in found)
