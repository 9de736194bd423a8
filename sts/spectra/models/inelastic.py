"""Steps of dI/dV where tunnelling electrons begin to lose a quantum of energy: thermally broadened, and their fit."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from sts.quantities import BOLTZMANN_EV
from sts.spectra.models.fitting import (
    LineFit,
    Measured,
    Start,
    Values,
    blurred,
    fit_line,
    not_at_ends,
    refused,
    starts_within,
    straight_starts,
)
from sts.spectra.models.model import Model, Parameter

Array = NDArray[np.float64]


def inelastic_step(
    bias: Any, energy_eV: float, size: float, background: float, *, temperature_K: float, asymmetry: float = 0.0
) -> Array:
    """dI/dV with thermally broadened steps at ±energy: background + size [S(V) + S(-V)], shape of `bias`.

    Parameters
    ----------
    bias : array_like
        [V].
    energy_eV : float
        Of the quantum [eV].
    size, background : float
        Height of a step, and dI/dV below it.
    temperature_K : float
        Above zero.
    asymmetry : float
        Tilts the two sizes: (1 ± asymmetry).

    Notes
    -----
    S = [1 + (x - 1) e^x]/(e^x - 1)², x = (E - eV)/kT: J. Lambe and R. C. Jaklevic, Phys. Rev. 165, 821 (1968),
    doi:10.1103/PhysRev.165.821.
    """
    v, kT = np.asarray(bias, float), BOLTZMANN_EV * temperature_K
    up, down = _step((energy_eV - v) / kT), _step((energy_eV + v) / kT)
    return np.asarray(background + size * ((1 + asymmetry) * up + (1 - asymmetry) * down))


def _step(x: Array) -> Array:
    """1 far above the threshold (x → -∞), 0 far below."""
    x = np.clip(x, -200, 200)
    small = np.abs(x) < 1e-4
    y = np.where(small, 1.0, x)
    exact = np.where(
        y > 50, (y - 1) * np.exp(-np.minimum(y, 200)), (1 + (y - 1) * np.exp(np.minimum(y, 50))) / np.expm1(y) ** 2
    )
    return np.asarray(np.where(small, 0.5 - x / 6, exact))


def fit_inelastic_step(measured: Measured) -> LineFit:
    """Fit a pair of inelastic steps at ±energy in dI/dV; temperature is in the line shape.

    Parameters
    ----------
    measured : Measured
        At least 10 usable points.

    Returns
    -------
    LineFit
        `values`: energy [eV], size, background, asymmetry, slope (linear background per volt).
    """
    why = measured.refusal()
    if why or measured.temperature_K == 0:
        return refused(why or "the temperature is zero; give that of the junction", measured)

    def bare(v: Array, p: Values) -> Array:
        steps = inelastic_step(
            v, p["energy"], p["size"], p["background"], temperature_K=measured.temperature_K, asymmetry=p["asymmetry"]
        )
        return np.asarray(steps + p["slope"] * v)

    starts = _starts(measured)
    height = float(np.ptp(measured.points[1])) or 1.0
    reach = float(np.max(np.abs(measured.points[0])))

    def steps(p: Values) -> Values:
        return {"size": height, "background": height, "asymmetry": 1.0, "slope": height / reach}

    line = blurred(measured, bare, temperature_K=0.0)
    return not_at_ends(fit_line(measured, line, starts, steps=steps, height=height), starts)


def _starts(measured: Measured) -> list[Start]:
    """Half-way to the end of the bias; and where a pair of steps meets the data best."""
    v, g, _ = measured.points
    reach = float(np.max(np.abs(v)))
    kT = BOLTZMANN_EV * measured.temperature_K

    def shapes(x: Array, energy: float) -> list[Array]:
        return [_step((energy - x) / kT), _step((energy + x) / kT), np.ones(x.size), x]

    grid = [(e,) for e in (reach * np.linspace(0.05, 0.95, 37)).tolist()]
    (energy,), (up, down, level, slope) = straight_starts(measured, shapes, grid)
    size = (up + down) / 2
    tilt = float(np.clip((up - down) / (up + down), -0.9, 0.9)) if up + down else 0.0
    free = (-np.inf, np.inf)
    ends = {"energy": (0.02 * reach, reach), "size": free, "background": free, "asymmetry": (-1.0, 1.0), "slope": free}
    plain = 0.5 * reach, float(np.ptp(g)) / 2, float(g.min()), 0.0, 0.0
    return starts_within(ends, plain, (energy, size, level, tilt, slope))


INELASTIC_STEP = Model(
    key="inelastic_step",
    title="Inelastic step",
    stem="inelastic",
    cites="Lambe1968",
    parameters=(
        Parameter("energy", "ħω", "meV", 1e3, "energy that an electron loses: where dI/dV steps on both sides"),
        Parameter("asymmetry", "asymmetry", "", 1.0, "half the difference of the two steps over their mean"),
    ),
    fit=fit_inelastic_step,
)
