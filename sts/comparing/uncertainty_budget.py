"""The uncertainty budget of a barrier: what is random, what the height scale adds, what the model may miss."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from typing import Any

import numpy as np
import pandas as pd
from scipy import constants, optimize
from scipy.special import digamma

from sts.comparing.calibration import Calibration
from sts.quantities import with_prefix

BUDGET_COLUMNS = ("sample", "tip", "component", "size_eV", "kind", "note")

_IMAGE_EV_NM = constants.e / (16 * math.pi * constants.epsilon_0) * 1e9  # e^2/16 pi eps0 [eV nm]
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(200)


def image_force_ratio(barrier_eV: float, gap_nm: float) -> float:
    """Apparent over true barrier height if the classical image potential acts in a planar vacuum gap.

    Parameters
    ----------
    barrier_eV : float
        Height of the barrier without image potential.
    gap_nm : float
        Distance between the planes where the image potential diverges.

    Returns
    -------
    float
        NaN where the image potential pulls the whole barrier below the Fermi level.

    Notes
    -----
    φ_app = (d/ds ∫ sqrt(φ - w(z)) dz)² over the classically forbidden region, with the exact image potential between
    two planes, w = -(e²/16πε0 s)[ψ(z/s) + ψ(1 - z/s) + 2γ]. The potential diverges at the planes, where the classical
    image does not hold, and measured slopes are close to sqrt(φ) (G. Binnig et al., Physica B+C 127, 37, 1984, as
    commonly cited), so that this is a bound and not a correction to be made unasked.
    """
    step = 1e-3 * gap_nm
    upper, lower = (_image_action(barrier_eV, gap_nm + d) for d in (step, -step))
    return ((upper - lower) / (2 * step)) ** 2 / barrier_eV


def _image_action(barrier_eV: float, gap_nm: float) -> float:
    def potential(u: Any) -> Any:  # u = z/s
        return barrier_eV + _IMAGE_EV_NM / gap_nm * (digamma(u) + digamma(1 - u) + 2 * np.euler_gamma)

    if potential(0.5) <= 0:
        return math.nan
    turn = optimize.brentq(potential, 1e-9, 0.5, xtol=1e-15)
    # The square root starts vertically at the turning point; u = turn + (1/2 - turn) x^2 makes it smooth.
    x = (_NODES + 1) / 2
    height = np.sqrt(np.maximum(potential(turn + (0.5 - turn) * x**2), 0))
    return float(gap_nm * 2 * (0.5 - turn) * np.sum(_WEIGHTS * height * x))


def true_barrier(apparent_eV: float, gap_nm: float) -> float:
    """The barrier whose apparent height under the classical image potential is given; NaN if there is none.

    Parameters
    ----------
    apparent_eV, gap_nm : float
        As for `image_force_ratio`, whose notes hold the formula.
    """

    def miss(barrier: float) -> float:
        ratio = image_force_ratio(barrier, gap_nm)
        return -apparent_eV if math.isnan(ratio) else barrier * ratio - apparent_eV

    low, high = apparent_eV, apparent_eV + 8 * _IMAGE_EV_NM / gap_nm
    if not apparent_eV > 0 or miss(low) > 0 or miss(high) < 0:
        return math.nan
    root = float(optimize.brentq(miss, low, high, xtol=1e-6))
    return root if abs(miss(root)) < 1e-3 else math.nan  # a jump, not a root: the gap is too narrow for a barrier


def corrected_barrier(barrier_eV: float, correct: Collection[str], *, bias_V: float | None, gap_nm: float) -> float:
    """The apparent barrier height with the model corrections asked for.

    Parameters
    ----------
    barrier_eV : float
        Apparent barrier height.
    correct : collection of str
        ``"image force"`` (the barrier whose apparent height under the classical image is `barrier_eV`), ``"bias"``
        (half of it added).
    bias_V : float, optional
    gap_nm : float

    Returns
    -------
    float
        NaN where a correction cannot be made: no bias known, or a barrier below 1 eV, where no clean vacuum gap is.

    Notes
    -----
    Bias first, since the image acts on the barrier that is there. Both corrections are sizes of what a model may miss; they
    have no uncertainty of their own that anyone could state.
    """
    corrected = barrier_eV
    if "bias" in correct:
        corrected = math.nan if bias_V is None else corrected + abs(bias_V) / 2
    if "image force" in correct:
        corrected = true_barrier(corrected, gap_nm) if corrected >= 1 else math.nan
    return corrected


def budget(
    tips: pd.DataFrame,
    calibration: Calibration | None = None,
    *,
    bias_V: float | None = None,
    gap_nm: float = 0.8,
    bends: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """Where the uncertainty of each tip's barrier comes from.

    Parameters
    ----------
    tips : pandas.DataFrame
        Of `tip_level`.
    calibration : Calibration, optional
        Of the height scale.
    bias_V : float, optional
        Bias of the height sweeps.
    gap_nm : float
        Width of the gap assumed for the image force.
    bends : pandas.DataFrame, optional
        Bends that the sweeps of a tip share: `sample`, `tip`, `bound_percent` (of the barrier) of each.

    Returns
    -------
    pandas.DataFrame
        `BUDGET_COLUMNS`. Sizes of kind "random" and "calibration" are standard uncertainties; those of kind "model"
        are one-sided bounds by which the true barrier may lie higher ("shape", only where a bend was seen: either way,
        rectangular), and enter no total.

    Raises
    ------
    KeyError
        If `tips` lacks a column.
    """
    rows: list[dict[str, Any]] = []

    def add(tip: Mapping[Any, Any], component: str, size: float, kind: str, note: str) -> None:
        rows.append(
            {"sample": tip["sample"], "tip": tip["tip"], "component": component, "size_eV": size, "kind": kind,
             "note": note}
        )  # fmt: skip

    for tip in tips.to_dict("records"):
        barrier, se, sites = tip["barrier_eV"], tip["barrier_se_eV"], tip["sites"]
        # The part of the stated uncertainty that each variance has a share in, so that the two add up to it.
        days = int(tip.get("days", 1))
        day = tip["between_day_sd_eV"] if days > 1 else 0.0
        variances = np.nan_to_num([tip["between_site_sd_eV"], tip["site_noise_eV"], day]) ** 2 / [sites, sites, days]
        between, within, day = (
            np.sqrt(variances / variances.sum()) * se if variances.sum() > 0 else (math.nan, se, math.nan)
        )
        if days > 1:
            add(tip, "between days", day, "random", f"{days} days")
        count = f"{sites} sites" if sites > 1 else "one site"
        add(tip, "between sites", between if sites > 1 else math.nan, "random",
            f"{count}, {tip['sweeps']:g} sweeps" if sites > 1 else "one site: unknown")  # fmt: skip
        add(tip, "within sites", within, "random", "noise and scatter between repeats")
        if calibration is None and np.isfinite(tip["calibration_se_eV"]):
            size = tip["calibration_se_eV"]
            add(
                tip,
                "height scale",
                size,
                "calibration",
                f"{50 * size / barrier:.2g} % of height, enters twice; of several scales",
            )
        elif calibration is None:
            add(tip, "height scale", math.nan, "calibration", "not calibrated in this session; 5 % of height is 10 %")
        else:
            add(tip, "height scale", float(calibration.barrier_se(barrier)), "calibration",
                f"{100 * calibration.relative_se:.2g} % of height, enters twice; cancels between tips")  # fmt: skip
        if barrier < 1:
            add(tip, "image force", math.nan, "model", "no clean vacuum gap below 1 eV: not applicable")
        else:
            add(tip, "image force", true_barrier(barrier, gap_nm) - barrier, "model",
                f"at most, classical image potential in a gap of {gap_nm:g} nm; not in barrier_eV")  # fmt: skip
        half = "bias not recorded"
        if bias_V is not None:
            half = f"at most half of {with_prefix(abs(bias_V), 'V', 6)}; not in barrier_eV"
        add(tip, "bias", math.nan if bias_V is None else abs(bias_V) / 2, "model", half)
        bent = _bound_percent(tip, bends)
        if bent:
            size = bent / 100 * barrier
            add(tip, "shape", size, "model",
                f"at most, either way: its sweeps share a bend; half of the window alone would give {bent:.2g} % else; not in "
                f"barrier_eV; as a standard uncertainty {size / math.sqrt(3):.2g} eV (rectangular)")  # fmt: skip
    return pd.DataFrame(rows, columns=list(BUDGET_COLUMNS))


def _bound_percent(tip: Mapping[Any, Any], bends: pd.DataFrame | None) -> float:
    """The largest bend of a tip [% of its barrier], 0 for none."""
    if bends is None or bends.empty:
        return 0.0
    own = bends[(bends["sample"] == tip["sample"]) & (bends["tip"] == tip["tip"])]
    return float(own["bound_percent"].max()) if len(own) else 0.0
