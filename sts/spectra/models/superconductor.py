"""The superconducting gap: fit of a broadened quasiparticle density, and what BCS theory says of its temperature."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import lmfit
import numpy as np
from numpy.typing import NDArray
from scipy import optimize

from sts.curves.smoothing import Smoother
from sts.quantities import BOLTZMANN_EV
from sts.spectra.models.goodness_of_fit import verdict
from sts.spectra.models.lineshapes import superconducting_conductance

Array = NDArray[np.float64]

ZERO_RATIO = float(np.pi / np.exp(np.euler_gamma))  # Δ(0)/kTc, weak coupling: 1.764
LEAST_DEPTH = 0.25  # how far dI/dV must fall at zero bias, relative to its level outside, to be tried at all
SMALL_MISFIT = 0.01  # of the normal conductance: a misfit that noise does not explain, but that changes nothing either
WIDEST_BROADENING = 0.7  # of the gap; a poor fit with more than this fits any dip (common practice, no source)


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
    smoother: Smoother | None = None,
    covariance: Any = None,
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
    modulation_rms_V : float
        Of the lock-in, where it was on [V]; NaN is none.
    smoother : Smoother, optional
        What `didv` was made with from the current, on the axis `bias`; the model goes through it too.
    covariance : array_like, shape (n, n), optional
        Of `didv`, from the scatter between sweeps. Smoothing and slow noise tie neighbouring points together; with it the
        uncertainties count that as it is.
    fit_temperature : bool
        Let the temperature be found; the correlation with Γ is then reported.

    Returns
    -------
    SuperconductingGap
        With ``"refused"`` where there is no such gap (dI/dV falls by less than a quarter, has no shoulders, or is met only
        badly and with a broadening as wide as the gap) or the temperature is not known, and ``"poor"`` where the model
        misses the data.

    Raises
    ------
    ValueError
        If smoother or covariance are not on the axis `bias`.

    Notes
    -----
    Δ, Γ, offset of bias, normal conductance and a linear background by weighted least squares (lmfit over the bare
    line shape), from two starts. With J the derivatives of the model over `didv_se` and C the covariance over the
    products of `didv_se`, the parameters have the covariance (JᵀJ)⁻¹JᵀCJ(JᵀJ)⁻¹. Without C, the noise of the
    current is taken to be independent from point to point, so that C follows from the smoother. A reduced chi² above 1 widens
    every uncertainty by its root.
    """
    v, g, s = (np.asarray(a, float) for a in (bias, didv, didv_se))
    shape = v.shape
    _check_axis(v, smoother, covariance)
    good = np.isfinite(g) & (s > 0)
    if not temperature_K > 0:
        return _refused("the temperature is not recorded", shape)
    if good.sum() < 12:
        return _refused(f"{good.sum()} usable points are too few", shape)
    outside, why = _normal_level(v[good], g[good])
    if why:
        return _refused(why, shape)
    reach = float(np.max(np.abs(v)))
    modulation = modulation_rms_V if modulation_rms_V > 0 else 0.0

    def model(p: dict[str, float]) -> Array:
        line = superconducting_conductance(
            v - p["offset"], p["gap"], p["broadening"], temperature_K=p["temperature"], modulation_rms_V=modulation,
            smoother=smoother,
        )  # fmt: skip
        return np.asarray(p["level"] * line * (1 + p["slope"] * v / reach))

    def residual(p: dict[str, float]) -> Array:
        return np.asarray(((g - model(p)) / s)[good])

    best = _minimise(residual, _starts(v[good], g[good], outside, temperature_K, fit_temperature))
    value = best.params.valuesdict()
    apart = max(1.0, smoother.width / float(np.median(np.diff(v)))) if smoother is not None else 1.0
    left = residual(value)
    misfit = float(np.max(np.abs(left * s[good]))) / outside
    words, chi2, p_run = verdict(left, best.nvarys, independent=apart, scale=misfit)
    if words != "good" and misfit < SMALL_MISFIT:
        words = f"good: within {100 * misfit:.1g} % of the normal conductance, though by more than its noise"
    if words.startswith("poor") and value["broadening"] > WIDEST_BROADENING * value["gap"]:
        return _refused(
            f"no superconducting gap: the best fit misses dI/dV by {100 * misfit:.0f} % of the normal conductance, with a "
            f"broadening of {1e3 * value['broadening']:.3g} meV on a gap of {1e3 * value['gap']:.3g} meV", shape
        )  # fmt: skip
    scatter = _residual_covariance(s, smoother, covariance)[np.ix_(good, good)]
    spread = _parameter_covariance(residual, best.params, scatter) * max(chi2, 1.0)
    names = best.var_names
    error = dict(zip(names, np.sqrt(np.diag(spread)), strict=True))
    pair = names.index("broadening"), names.index("temperature" if fit_temperature else "gap")
    return SuperconductingGap(
        gap_meV=value["gap"] * 1e3,
        gap_se_meV=error["gap"] * 1e3,
        broadening_meV=value["broadening"] * 1e3,
        broadening_se_meV=error["broadening"] * 1e3,
        temperature_K=value["temperature"],
        temperature_se_K=error.get("temperature", 0.0),
        offset_mV=value["offset"] * 1e3,
        correlation=float(spread[pair] / np.sqrt(spread[pair[0], pair[0]] * spread[pair[1], pair[1]])),
        reduced_chi2=chi2,
        run_test_p=p_run,
        verdict=words,
        fitted=np.where(good, model(value), np.nan),
    )


def _check_axis(v: Array, smoother: Smoother | None, covariance: Any) -> None:
    if smoother is not None and (
        smoother.axis.shape != v.shape or not np.allclose(np.diff(smoother.axis), np.diff(v), rtol=1e-6, atol=0)
    ):
        raise ValueError(
            f"The smoother is on other points ({smoother.axis.size}) than the bias ({v.size}); make it on the axis of the bias."
        )
    if covariance is not None and np.shape(covariance) != (v.size, v.size):
        raise ValueError(
            f"The covariance has the shape {np.shape(covariance)}; {v.size} points need ({v.size}, {v.size})."
        )


def _normal_level(v: Array, g: Array) -> tuple[float, str]:
    """dI/dV outside the gap, and why there is no gap to fit ("" if there may be)."""
    edge = max(3, v.size // 10)
    outside = float(np.median(np.r_[g[:edge], g[-edge:]]))
    inner = np.abs(v) < 0.25 * max(abs(v[0]), abs(v[-1]))
    two_sided = bool(inner.any() and v[0] < 0 < v[-1] and outside > 0)
    depth = 1 - float(np.min(g[inner])) / outside if two_sided else 0.0
    shoulder = max(float(g[v < 0].max()), float(g[v > 0].max())) / outside if two_sided else 0.0
    if depth < LEAST_DEPTH:
        return outside, f"dI/dV falls by {100 * depth:.0f} % around zero bias; a gap needs {100 * LEAST_DEPTH:.0f} %"
    if shoulder < 1.02 and depth < 0.6:
        return outside, "no coherence peaks beside a shallow dip: not a superconducting gap"
    return outside, ""


def _starts(v: Array, g: Array, outside: float, temperature_K: float, fit_temperature: bool) -> list[lmfit.Parameters]:
    """Two sets of parameters to begin with: the gap near the coherence peaks, and well inside them."""
    reach = float(np.max(np.abs(v)))
    peak = float(np.abs(v[np.argmax(np.where(np.abs(v) < 0.8 * reach, g, -np.inf))]))
    starts = []
    for gap in (max(peak - BOLTZMANN_EV * temperature_K, 0.3 * peak), 0.6 * peak):
        p = lmfit.Parameters()
        p.add("gap", value=gap, min=1e-3 * peak, max=reach)
        p.add("broadening", value=0.05 * gap, min=1e-4 * gap, max=reach)
        p.add("temperature", value=temperature_K, min=0.1 * temperature_K, max=10 * temperature_K, vary=fit_temperature)
        p.add("offset", value=0.0, min=-0.3 * reach, max=0.3 * reach)
        p.add("level", value=outside, min=0)
        p.add("slope", value=0.0, min=-1, max=1)
        starts.append(p)
    return starts


def _minimise(residual: Callable[[dict[str, float]], Array], starts: list[lmfit.Parameters]) -> Any:
    """The better of the fits; the second start is for those that ended beside the data."""
    best = None
    for start in starts:
        found = lmfit.minimize(lambda p: residual(p.valuesdict()), start, method="leastsq")
        if best is None or found.chisqr < best.chisqr:
            best = found
        if best.redchi < 2:
            break
    return best


def _residual_covariance(s: Array, smoother: Smoother | None, covariance: Any) -> Array:
    """Covariance of the residuals (n, n): as given, else what the smoother makes of independent noise of the current."""
    if covariance is not None:
        return np.asarray(np.asarray(covariance, float) / np.outer(s, s))
    if smoother is None:
        return np.eye(s.size)
    rows = smoother.derivative / smoother.noise_gain[:, None]
    return np.asarray(rows @ rows.T)


def _parameter_covariance(
    residual: Callable[[dict[str, float]], Array], best: lmfit.Parameters, scatter: Array
) -> Array:
    """Covariance of the free parameters from that of the residuals, `scatter` (k, k)."""
    value = best.valuesdict()
    columns = []
    for name in [name for name, q in best.items() if q.vary]:
        size = {"slope": 1.0, "offset": value["gap"]}.get(name, value[name])
        step = 1e-4 * size
        below, above = (residual({**value, name: value[name] + way * step}) for way in (-1, 1))
        columns.append((below - above) / (2 * step))
    inverse = np.linalg.pinv(np.array(columns).T)
    return np.asarray(inverse @ scatter @ inverse.T)


def _refused(why: str, shape: tuple[int, ...]) -> SuperconductingGap:
    nan = float("nan")
    return SuperconductingGap(
        nan, nan, nan, nan, nan, nan, nan, nan, nan, nan, f"refused: {why}", np.full(shape, np.nan)
    )
