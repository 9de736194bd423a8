"""The temperature that broadens a superconducting gap, by its profile likelihood: an interval, or a bound where Γ does the same."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri, stdtrit

from sts.quantities import BOLTZMANN_EV
from sts.spectra.models.fitting import LineFit, Measured
from sts.spectra.models.superconductor import fit_gap, superconducting_conductance

Array = NDArray[np.float64]

WALKS = 4  # at most so many from the best temperature: one that comes to a better one begins anew from there
ENDS = ([-2.0, 1e-3, 0.0], [2.0, 20.0, 20.0])  # of offset, Δ and Γ over the Δ of the first fit
COLDEST = 1 / 4000  # kT of the reach of the sweep: colder than that is no broadening that its points could show
WARMEST = 1 / 6  # kT of the reach: the sweep would hold nothing outside of the thermal width
CLOSE = 0.02  # of the distance of an end of the interval from the best temperature
FREE = 6  # offset, Δ, Γ, level, slope, temperature


@dataclass(frozen=True, eq=False)
class TemperatureInterval:
    """A temperature [K] with its interval; `value` and `se` are NaN where the data only bound it, all are where there is none.

    Attributes
    ----------
    value, se : float
        That of the least misfit, and half the interval over the quantile of a normal distribution.
    low, high : float
        Ends; 0 where every colder one fits as well, infinite where every warmer one does.
    why : str
        Why there is no value; "" where there is one.
    fit : LineFit
        The fit at the temperature of the least misfit.
    """

    value: float
    se: float
    low: float
    high: float
    why: str
    fit: LineFit


def temperature_interval(
    measured: Measured, *, dof: float = float("inf"), confidence: float = 0.95
) -> TemperatureInterval:
    """The temperatures that a superconducting gap allows, whatever its Δ, Γ, zero, level and slope.

    Parameters
    ----------
    measured : Measured
        Its temperature is where the search begins.
    dof : float
        Degrees of freedom that its covariance is known with: repeats less one.
    confidence : float
        Of the interval.

    Returns
    -------
    TemperatureInterval

    Notes
    -----
    All else is fitted anew at each temperature, and those belong to the interval whose sum of squares exceeds the least by no more
    than t² of Student times the mean square: D. M. Bates and D. G. Watts, Nonlinear Regression Analysis and Its Applications
    (1988), ch. 6. Where points are tied by smoothing or slow noise the difference is scaled by the variance of the temperature that
    independent points would have over the one it has (J. T. Kent, Biometrika 69, 19 (1982), for one parameter).

    Γ ≥ 0 takes the place of heat on the flanks of the gap, not in its thermal tails; how far the two can be told apart is what the
    interval says. A cold end that is not reached makes it an upper bound.
    """
    first = fit_gap(measured)
    if not first.values:
        nan = float("nan")
        return TemperatureInterval(nan, nan, nan, nan, first.verdict.removeprefix("refused: "), first)
    profile = _Profile(measured, first)
    quantile = float(stdtrit(min(dof, profile.count - FREE), 0.5 + confidence / 2))
    best, low, high = _interval(profile, quantile)
    return _stated(best, low, high, float(ndtri(0.5 + confidence / 2)), fit_gap(replace(measured, temperature_K=best)))


def _stated(best: float, low: float, high: float, reach: float, fit: LineFit) -> TemperatureInterval:
    """The interval with its value; a bound, or nothing, with the reason."""
    nan = float("nan")
    if not fit.verdict.startswith("good"):
        return TemperatureInterval(nan, nan, nan, nan, f"the fit does not describe the gap ({fit.verdict})", fit)
    if low > 0 and np.isfinite(high):
        return TemperatureInterval(best, (high - low) / (2 * reach), low, high, "", fit)
    if np.isfinite(high):
        why = f"it is below {high:.3g} K: what broadens the gap more than that is not told apart from Γ"
    elif low > 0:
        why = f"it is above {low:.3g} K: the sweeps end too near the gap to say more"
    else:
        why = "it is not told apart from Γ"
    return TemperatureInterval(nan, nan, low, high, why, fit)


def _interval(profile: _Profile, quantile: float) -> tuple[float, float, float]:
    """The best temperature and the ends of the interval: 0 and infinite where there is none."""
    low, high, best = np.nan, np.nan, profile.best()
    for _ in range(WALKS):
        least, start = profile(best), best
        allowed = quantile**2 * max(least / (profile.count - FREE), 1.0)

        def beyond(temperature: float, least: float = least, allowed: float = allowed) -> float:
            return (
                float(np.sqrt(max(profile(temperature) - least, 0.0) * profile.independent(temperature) / allowed)) - 1
            )

        step = min(profile.spread * quantile, 0.3 * best)
        low, high = (_end(beyond, best, limit, step) for limit in profile.limits)
        best = min(profile.known, key=profile.known.__getitem__)
        if profile.known[best] > least - 0.01 * allowed:
            break
    return start, (0.0 if np.isnan(low) else low), (np.inf if np.isnan(high) else high)


def _end(beyond: Callable[[float], float], best: float, limit: float, step: float) -> float:
    """The temperature at which `beyond` turns positive, from the best one towards a limit by steps that double; NaN where it does
    not before."""
    from scipy import optimize  # slow to import, and wanted only where something is fitted

    inside = best
    while inside != limit:
        outside = limit if step >= abs(limit - inside) else inside + float(np.sign(limit - best)) * step
        if beyond(outside) > 0:
            return float(optimize.brentq(beyond, inside, outside, xtol=CLOSE * abs(outside - best), rtol=1e-9))
        inside, step = outside, 2 * step
    return np.nan


class _Profile:
    """The least sum of squares at each temperature; `known` holds those asked for."""

    def __init__(self, measured: Measured, first: LineFit) -> None:
        v, didv, se = measured.points
        self._measured, self._good = measured, measured.usable
        self._data, self._weight = didv / se, 1 / se
        self.count, self.reach = v.size, float(np.max(np.abs(v)))
        self._slope = v / self.reach
        self._scatter = measured.scatter[np.ix_(self._good, self._good)]
        self._tied = not np.array_equal(self._scatter, np.eye(v.size))
        self.limits = COLDEST * self.reach / BOLTZMANN_EV, WARMEST * self.reach / BOLTZMANN_EV
        start = first.values
        self._scale, self._first = start["gap"], float(np.clip(start["temperature"], *self.limits))
        self._at = {self._first: np.array([start["offset"], start["gap"], start["broadening"]]) / self._scale}
        self.known: dict[float, float] = {}
        self.spread = self._first  # standard uncertainty of the temperature, roughly

    def __call__(self, temperature: float) -> float:
        from scipy import optimize  # slow to import, and wanted only where something is fitted

        if temperature not in self.known:
            near = self._at[min(self._at, key=lambda one: abs(one - temperature))]
            solve: Any = optimize.least_squares
            found = solve(
                lambda p: self._residual(p, temperature), np.clip(near, *ENDS), bounds=ENDS, x_scale=(0.01, 0.1, 0.05),
                xtol=1e-5, ftol=1e-6,
            )  # fmt: skip
            self.known[temperature], self._at[temperature] = 2 * float(found.cost), found.x
        return self.known[temperature]

    def best(self) -> float:
        """The temperature of the least misfit, fitted with all else."""
        from scipy import optimize

        warm = self.limits[1] / 10
        solve: Any = optimize.least_squares
        found = [
            solve(
                lambda p: self._residual(p[:3], p[3] * warm), [*np.clip(self._at[self._first], *ENDS), begin / warm],
                bounds=([*ENDS[0], self.limits[0] / warm], [*ENDS[1], self.limits[1] / warm]),
                x_scale=(0.01, 0.1, 0.05, begin / warm), xtol=1e-5, ftol=1e-6, max_nfev=50,
            )
            for begin in (self._first, warm)
        ]  # fmt: skip
        one = min(found, key=lambda fit: fit.cost)
        temperature = float(one.x[3] * warm)
        self._at[temperature], self.known[temperature] = one.x[:3], 2 * float(one.cost)
        slopes = np.asarray(one.jac, float)
        own = float(np.linalg.pinv(slopes.T @ slopes)[3, 3])
        self.spread = warm * float(np.sqrt(own / self.independent(temperature)))
        return temperature

    def independent(self, temperature: float) -> float:
        """Variance of the temperature by independent points over that by the scatter which the points have."""
        if not self._tied:
            return 1.0
        p = self._at[temperature]
        steps = np.array([1e-4, 1e-4, max(1e-4, 1e-3 * p[2])])
        shape = self._columns(p, temperature)
        level = np.linalg.lstsq(shape, self._data, rcond=None)[0]
        seen = [(self._columns(p + dp, temperature) - shape) @ level / dp.sum() for dp in np.diag(steps)]
        warmer = (self._columns(p, 1.001 * temperature) - shape) @ level / (1e-3 * temperature)
        inverse = np.linalg.pinv(np.column_stack([warmer, *seen, shape]))
        return float((inverse[0] @ inverse[0]) / (inverse[0] @ self._scatter @ inverse[0]))

    def _columns(self, p: Array, temperature: float) -> Array:
        """The shape and the shape times the bias over the uncertainty, (k, 2): level and slope enter linearly."""
        offset, gap, broadening = p * self._scale
        measured = self._measured
        shape = superconducting_conductance(
            measured.bias - offset, gap, broadening, temperature_K=temperature, modulation_rms_V=measured.modulation_rms_V,
            smoother=measured.smoother,
        )[self._good] * self._weight  # fmt: skip
        return np.column_stack([shape, self._slope * shape])

    def _residual(self, p: Array, temperature: float) -> Array:
        columns = self._columns(p, temperature)
        return np.asarray(columns @ np.linalg.lstsq(columns, self._data, rcond=None)[0] - self._data)
