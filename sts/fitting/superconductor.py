"""The superconducting gap: fit of a broadened quasiparticle density, and what BCS theory says of its temperature."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import lmfit
import numpy as np
from numpy.typing import NDArray
from scipy import optimize

from sts.fitting.goodness import verdict
from sts.fitting.lineshapes import superconducting_conductance
from sts.quantities import BOLTZMANN_EV

Array = NDArray[np.float64]

ZERO_RATIO = float(np.pi / np.exp(np.euler_gamma))  # Δ(0)/kTc, weak coupling: 1.764
LEAST_DEPTH = 0.25  # how far dI/dV must fall at zero bias, relative to its level outside, to be tried at all


@dataclass(frozen=True, eq=False)
class SuperconductingGap:
    """Fit of Δ, Γ (and T); look at `verdict` before quoting anything."""

    gap_meV: float
    gap_se_meV: float
    broadening_meV: float
    broadening_se_meV: float
    temperature_K: float
    temperature_se_K: float  # 0 where it was fixed
    offset_mV: float
    correlation: float  # of gap and broadening (or of broadening and temperature, if free)
    reduced_chi2: float
    run_test_p: float
    verdict: str  # "good", "poor: ..." or "refused: ..."
    fitted: Array  # (n,) in the unit of the data; NaN where refused


def gap_ratio(temperature: Any) -> Array:
    """Δ(T)/Δ(0) of weak-coupling BCS theory at T/Tc (any shape), from the gap equation; 0 above Tc.

    Notes
    -----
    ln(1/t) = 2πt Σ_n [1/ω_n - 1/√(ω_n² + (aδ)²)], ω_n = πt(2n + 1), a = Δ(0)/kTc: solved by bisection with the tail of the
    sum done as an integral. Agrees with the table of B. Mühlschlegel, Z. Phys. 155, 313 (1959).
    """
    t = np.asarray(temperature, float)
    return np.asarray(np.vectorize(_one_ratio, otypes=[float])(t))


def _one_ratio(t: float) -> float:
    if t >= 1:
        return 0.0
    if t < 0.02:
        return 1.0
    terms = 4000
    w = np.pi * t * (2 * np.arange(terms) + 1)
    end = np.pi * t * 2 * terms

    def missing(d: float) -> float:
        x = ZERO_RATIO * d
        tail = np.log((1 + np.sqrt(1 + (x / end) ** 2)) / 2) / (2 * np.pi * t)  # ∫ from the last term, step 2πt
        return float(2 * np.pi * t * (np.sum(1 / w - 1 / np.sqrt(w**2 + x**2)) + tail) - np.log(1 / t))

    return float(optimize.brentq(missing, 1e-9, 1.2, xtol=1e-14))


def fit_superconducting_gap(
    bias: Any,
    didv: Any,
    didv_se: Any,
    *,
    temperature_K: float,
    modulation_rms_V: float = float("nan"),
    smoothing_V: float = float("nan"),
    fit_temperature: bool = False,
) -> SuperconductingGap:
    """Fit dI/dV of a normal tip on a superconductor.

    Parameters
    ----------
    bias : array_like, shape (n,)
        Ascending [V].
    didv, didv_se : array_like, shape (n,)
        In any unit; the normal conductance (and its slope) is fitted.
    temperature_K : float
        Of the junction; T and Γ trade off, so fix it from a known sample where you can.
    modulation_rms_V, smoothing_V : float
        Further broadening that is in the data [V]; NaN is none.
    fit_temperature : bool
        Let the temperature be found; the correlation with Γ is then reported.

    Returns
    -------
    SuperconductingGap
        With ``"refused"`` where there is no such gap (dI/dV falls by less than a quarter, or has no shoulders) or the
        temperature is not known, and ``"poor"`` where the model misses the data.

    Notes
    -----
    Δ, Γ, offset of bias, normal conductance and a linear background by weighted least squares (lmfit over the bare
    line shape), from two starts. Uncertainties are scaled by reduced chi² where that exceeds one. Neighbouring points of a
    smoothed spectrum are correlated: their number is reduced by the smoothing's width.
    """
    v, g, s = (np.asarray(a, float) for a in (bias, didv, didv_se))
    good = np.isfinite(v) & np.isfinite(g) & (s > 0)
    shape = v.shape
    if not temperature_K > 0:
        return _refused("the temperature is not recorded", shape)
    if good.sum() < 12:
        return _refused(f"{good.sum()} usable points are too few", shape)
    v, g, s = v[good], g[good], s[good]
    edge = max(3, v.size // 10)
    outside = float(np.median(np.r_[g[:edge], g[-edge:]]))
    reach = max(abs(v[0]), abs(v[-1]))
    inner = np.abs(v) < 0.25 * reach
    depth = 1 - float(np.min(g[inner])) / outside if inner.any() and outside > 0 else 0.0
    shoulder = max(float(g[v < 0].max()), float(g[v > 0].max())) / outside if (v < 0).any() and (v > 0).any() else 0.0
    if depth < LEAST_DEPTH:
        return _refused(
            f"dI/dV falls by {100 * depth:.0f} % around zero bias; a gap needs {100 * LEAST_DEPTH:.0f} %", shape
        )
    thermal = BOLTZMANN_EV * temperature_K
    if shoulder < 1.02 and depth < 0.6:
        return _refused("no coherence peaks beside a shallow dip: not a superconducting gap", shape)
    modulation = modulation_rms_V if modulation_rms_V > 0 else 0.0
    smoothing = smoothing_V if smoothing_V > 0 else 0.0
    peak = float(np.abs(v[np.argmax(np.where(np.abs(v) < 0.8 * reach, g, -np.inf))]))

    def model(p: Any) -> Array:
        shape_ = superconducting_conductance(
            v - p["offset"], abs(p["gap"].value), abs(p["broadening"].value), temperature_K=p["temperature"].value,
            modulation_rms_V=modulation, smoothing_V=smoothing,
        )  # fmt: skip
        return np.asarray(p["level"].value * shape_ * (1 + p["slope"].value * v / reach))

    def residual(p: Any) -> Array:
        return np.asarray((g - model(p)) / s)

    best = None
    for start in (max(peak - thermal, 0.3 * peak), 0.6 * peak):
        p = lmfit.Parameters()
        p.add("gap", value=start, min=1e-3 * peak, max=reach)
        p.add("broadening", value=0.05 * start, min=1e-4 * start, max=reach)
        p.add("temperature", value=temperature_K, min=0.1 * temperature_K, max=10 * temperature_K, vary=fit_temperature)
        p.add("offset", value=0.0, min=-0.3 * reach, max=0.3 * reach)
        p.add("level", value=outside, min=0)
        p.add("slope", value=0.0, min=-1, max=1)
        found = lmfit.minimize(residual, p, method="leastsq")
        if best is None or found.chisqr < best.chisqr:
            best = found
        if best.redchi < 2:
            break  # the second start is for fits that ended beside the data
    assert best is not None
    step = float(np.median(np.diff(v)))
    apart = max(1.0, smoothing / step)
    misfit = float(np.max(np.abs(g - model(best.params)))) / outside
    free = sum(q.vary for q in best.params.values())
    words, chi2, p_run = verdict(residual(best.params), free, independent=apart, scale=misfit)
    if chi2 > 1 and misfit < 0.01:
        words = "good"  # significant, but below 1 % of the normal conductance
    widen = np.sqrt(apart) * (1 if chi2 > 1 else 1 / np.sqrt(max(chi2, 1e-12)))
    value = {k: q.value for k, q in best.params.items()}
    error = {k: (q.stderr if q.stderr is not None else float("nan")) * widen for k, q in best.params.items()}
    other = "temperature" if fit_temperature else "gap"
    correlation = (best.params["broadening"].correl or {}).get(other, float("nan"))
    fitted = np.full(shape, np.nan)
    fitted[good] = model(best.params)
    return SuperconductingGap(
        gap_meV=value["gap"] * 1e3,
        gap_se_meV=error["gap"] * 1e3,
        broadening_meV=abs(value["broadening"]) * 1e3,
        broadening_se_meV=error["broadening"] * 1e3,
        temperature_K=value["temperature"],
        temperature_se_K=error["temperature"] if fit_temperature else 0.0,
        offset_mV=value["offset"] * 1e3,
        correlation=float(correlation),
        reduced_chi2=chi2,
        run_test_p=p_run,
        verdict=words,
        fitted=fitted,
    )


def _refused(why: str, shape: tuple[int, ...]) -> SuperconductingGap:
    nan = float("nan")
    return SuperconductingGap(
        nan, nan, nan, nan, nan, nan, nan, nan, nan, nan, f"refused: {why}", np.full(shape, np.nan)
    )
