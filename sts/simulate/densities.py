"""Densities of states for the virtual junction, relative to the one that gives a flat conductance of 1."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np


@dataclass(frozen=True)
class Density:
    """A density of states: call it with energies [eV] relative to the electrode's Fermi level, any shape.

    `breaks` are the energies [eV] at which it is not smooth (edges, singularities): the integration puts its nodes
    there.
    """

    name: str
    function: Callable[[np.ndarray], np.ndarray]
    breaks: tuple[float, ...] = ()

    def __call__(self, energy_eV: Any) -> np.ndarray:
        """Density of states, in units of the flat one."""
        return self.function(np.asarray(energy_eV, float))


def flat() -> Density:
    """A metal without structure: the ohmic junction."""
    return Density("flat", np.ones_like)


def v_shaped(*, floor: float = 0.05, per_eV: float = 2.0) -> Density:
    """Zero or little at the Fermi level, growing linearly on both sides (graphite-like).

    Parameters
    ----------
    floor, per_eV : float
        Density at the Fermi level, and its growth per electronvolt.
    """
    return Density("v_shaped", lambda energy: floor + per_eV * np.abs(energy), (0.0,))


def gapped(
    *,
    valence_eV: float = -0.5,
    conduction_eV: float = 0.5,
    exponent: float = 1.0,
    floor: float = 0.0,
    per_eV: float = 1.0,
) -> Density:
    """A semiconductor: ``per_eV * (distance from the band edge)**exponent`` outside the gap, `floor` everywhere.

    Parameters
    ----------
    valence_eV, conduction_eV : float
        Edges of the bands [eV].
    exponent : float
        0 gives step edges (a two-dimensional band), 0.5 square-root, 1 linear.
    floor, per_eV : float
        Pure numbers.

    Raises
    ------
    ValueError
        If the valence edge does not lie below the conduction edge.
    """
    if valence_eV >= conduction_eV:
        raise ValueError(
            f"The valence edge ({valence_eV:g} eV) must lie below the conduction edge ({conduction_eV:g} eV)."
        )

    def density(energy: np.ndarray) -> np.ndarray:
        distance = np.maximum(energy - conduction_eV, valence_eV - energy)
        return np.asarray(floor + per_eV * np.where(distance > 0, np.maximum(distance, 1e-300) ** exponent, 0.0))

    return Density("gapped", density, (valence_eV, conduction_eV))


def two_peaks(
    *, first_eV: float = -0.3, second_eV: float = 0.35, width_eV: float = 0.12, height: float = 3.0, floor: float = 1.0
) -> Density:
    """Two Gaussian peaks on a flat floor.

    Parameters
    ----------
    first_eV, second_eV, width_eV : float
        Where they are, and their full width at half height [eV].
    height, floor : float
        Pure numbers.
    """
    sigma = width_eV / (2 * np.sqrt(2 * np.log(2)))

    def density(energy: np.ndarray) -> np.ndarray:
        peaks = np.exp(-0.5 * ((energy - first_eV) / sigma) ** 2) + np.exp(-0.5 * ((energy - second_eV) / sigma) ** 2)
        return np.asarray(floor + height * peaks)

    return Density("two_peaks", density)


def superconductor(*, gap_eV: float = 1.35e-3, broadening_eV: float = 0.0) -> Density:
    """Quasiparticle density of a superconductor; ideal for a broadening of 0.

    Parameters
    ----------
    gap_eV, broadening_eV : float
        Δ and Γ [eV].

    Notes
    -----
    |Re[(E - iΓ)/√((E - iΓ)² - Δ²)]|, R. C. Dynes, V. Narayanamurti, J. P. Garno, Phys. Rev. Lett. 41, 1509 (1978).
    """

    def density(energy: np.ndarray) -> np.ndarray:
        if broadening_eV:
            shifted = np.abs(energy) - 1j * broadening_eV
            return np.asarray(np.abs(np.real(shifted / np.sqrt(shifted**2 - gap_eV**2))))
        excess = (np.abs(energy) - gap_eV) * (np.abs(energy) + gap_eV)  # no cancellation close to the gap
        return np.where(excess > 0, np.abs(energy) / np.sqrt(np.maximum(excess, 1e-300)), 0.0)

    return Density("superconductor", density, (-gap_eV, gap_eV))


DENSITIES: dict[str, Callable[..., Density]] = {
    "flat": flat,
    "v_shaped": v_shaped,
    "gapped": gapped,
    "two_peaks": two_peaks,
    "superconductor": superconductor,
}


def make_density(name: str, **options: float) -> Density:
    """The density called `name` in `DENSITIES`.

    Parameters
    ----------
    name : str
    options : float
        Of that density.

    Raises
    ------
    ValueError
        If there is no density of that name, or it has no such option.
    """
    if name not in DENSITIES:
        raise ValueError(f"There is no density of states called '{name}'. Known: {', '.join(sorted(DENSITIES))}.")
    try:
        return DENSITIES[name](**options)
    except TypeError as error:
        raise ValueError(f"The density of states '{name}' cannot be made: {error}.") from error
