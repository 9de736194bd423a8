"""What every model of a spectrum shares: the data it is fitted to, the fit with its uncertainties, how it is shown."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import interpolate

from sts.curves.smoothing import Smoother
from sts.quantities import BOLTZMANN_EV
from sts.showing import Shown
from sts.spectra.models.goodness_of_fit import verdict
from sts.spectra.resolution import modulation_kernel, thermal_kernel

Array = NDArray[np.float64]
Values = dict[str, float]
Start = dict[str, tuple[float, float, float]]

FEWEST_POINTS = 10
NAN = float("nan")


@dataclass(frozen=True, eq=False)
class Measured:
    """dI/dV of one spectrum, (n,) on `bias`, and what blurred it; points that are not finite are not fitted.

    Parameters
    ----------
    bias : array_like, shape (n,)
        Ascending [V].
    didv, didv_se : array_like, shape (n,)
        Any unit, and the standard uncertainty in the same one.
    temperature_K : float
        NaN is unknown.
    modulation_rms_V : float
        Of the lock-in [V]; NaN or 0 is none.
    smoother : Smoother, optional
        What `didv` was made with from the current, on the axis `bias`; the model goes through it too.
    covariance : array_like, shape (n, n), optional
        Of `didv`, from the scatter between sweeps. Smoothing and slow noise tie neighbouring points together; with it
        the uncertainties count that as it is.

    Raises
    ------
    ValueError
        If smoother or covariance are not on the axis `bias`.
    """

    bias: Any
    didv: Any
    didv_se: Any
    temperature_K: float
    modulation_rms_V: float = 0.0
    smoother: Smoother | None = None
    covariance: Any = None

    def __post_init__(self) -> None:
        for name in ("bias", "didv", "didv_se"):
            object.__setattr__(self, name, np.asarray(getattr(self, name), float))
        object.__setattr__(self, "modulation_rms_V", self.modulation_rms_V if self.modulation_rms_V > 0 else 0.0)
        v, smoother = self.bias, self.smoother
        if smoother is not None and (
            smoother.axis.shape != v.shape or not np.allclose(np.diff(smoother.axis), np.diff(v), rtol=1e-6, atol=0)
        ):
            raise ValueError(
                f"The smoother is on other points ({smoother.axis.size}) than the bias ({v.size}); make it on the axis of "
                "the bias."
            )
        if self.covariance is not None and np.shape(self.covariance) != (v.size, v.size):
            raise ValueError(
                f"The covariance has the shape {np.shape(self.covariance)}; {v.size} points need ({v.size}, {v.size})."
            )

    @property
    def usable(self) -> NDArray[np.bool_]:
        """Points that are fitted, (n,)."""
        return np.asarray(np.isfinite(self.bias) & np.isfinite(self.didv) & (self.didv_se > 0))

    @property
    def points(self) -> tuple[Array, Array, Array]:
        """Bias, dI/dV and its uncertainty where they are usable."""
        good = self.usable
        return self.bias[good], self.didv[good], self.didv_se[good]

    @property
    def scatter(self) -> Array:
        """Covariance (n, n) of dI/dV over its uncertainty: as given, else what the smoother makes of independent noise."""
        if self.covariance is not None:
            return np.asarray(np.asarray(self.covariance, float) / np.outer(self.didv_se, self.didv_se))
        if self.smoother is None:
            return np.eye(self.bias.size)
        rows = self.smoother.derivative / self.smoother.noise_gain[:, None]
        return np.asarray(rows @ rows.T)

    def refusal(self, fewest: int = FEWEST_POINTS) -> str:
        """Why no model can be fitted at all; "" if one can be.

        Parameters
        ----------
        fewest : int
            Points that a fit needs.
        """
        if not self.temperature_K >= 0:
            return "the temperature is not recorded"
        count = int(self.usable.sum())
        return f"{count} usable points are too few, at least {fewest} are needed" if count < fewest else ""


@dataclass(frozen=True, eq=False, repr=False)
class LineFit(Shown):
    """A model fitted to a spectrum; look at `verdict` before quoting anything.

    Attributes
    ----------
    verdict : str
        "good", "poor: ..." or "refused: ...".
    fitted, residual : numpy.ndarray
        (n,) in the unit of the data, NaN where there was nothing to fit; data - model over the standard uncertainty.
    values, errors : dict
        By parameter, SI, and standard uncertainties of those that were free; empty where refused.
    correlation : numpy.ndarray
        (k, k) of the free parameters.
    reduced_chi2, run_test_p, misfit : float
        About 1 where the model holds; small where residuals come in waves; largest, relative to the size of the feature.
    """

    verdict: str
    fitted: Array
    residual: Array
    values: Values
    errors: Values
    correlation: Array
    reduced_chi2: float = NAN
    run_test_p: float = NAN
    misfit: float = NAN


def refused(why: str, measured: Measured) -> LineFit:
    """No fit, and why.

    Parameters
    ----------
    why : str
    measured : Measured
    """
    nothing = np.full(measured.bias.shape, NAN)
    return LineFit(f"refused: {why}", nothing, nothing, {}, {}, np.empty((0, 0)))


def fit_line(
    measured: Measured,
    line: Callable[[Values], Array],
    starts: Sequence[Start],
    *,
    steps: Callable[[Values], Values],
    height: float,
) -> LineFit:
    """Weighted least squares from several starts; the better fit counts.

    Parameters
    ----------
    measured : Measured
    line : callable
        dI/dV (n,) of parameters by name.
    starts : sequence of dict
        Value, least and largest value of each parameter, which is fixed where these are equal. A later start is tried
        where the earlier ones miss the data.
    steps : callable
        Of the fitted values: the size of a parameter, where that is not its value.
    height : float
        Of the feature, in the unit of dI/dV.

    Returns
    -------
    LineFit

    Notes
    -----
    With J the derivatives of the model over the uncertainties and C the covariance of the data over the products of
    those, the parameters have the covariance (JᵀJ)⁻¹JᵀCJ(JᵀJ)⁻¹ (sandwich of ordinary least squares). Without a given C
    the noise of the current is taken to be independent from point to point, so that C follows from the smoother. A
    reduced chi² above 1 widens every uncertainty by its root.
    """
    v, g, s, good = measured.bias, measured.didv, measured.didv_se, measured.usable

    def residual(p: Values) -> Array:
        return np.asarray(((g - line(p)) / s)[good])

    best = _minimise(residual, starts)
    value = best.params.valuesdict()
    left = residual(value)
    misfit = float(np.max(np.abs(left * s[good]))) / height
    smoother = measured.smoother
    apart = max(1.0, smoother.width / float(np.median(np.diff(v)))) if smoother is not None else 1.0
    words, chi2, p_run = verdict(left, best.nvarys, independent=apart, scale=misfit)
    sizes = value | steps(value)
    spread = _spread(
        residual, value, {name: sizes[name] for name in best.var_names}, measured.scatter[np.ix_(good, good)]
    )
    error = np.sqrt(np.diag(spread) * max(chi2, 1.0))
    with np.errstate(divide="ignore", invalid="ignore"):
        correlation = spread * max(chi2, 1.0) / np.outer(error, error)
    fitted = np.where(good, line(value), NAN)
    errors = dict(zip(best.var_names, error.tolist(), strict=True))
    return LineFit(words, fitted, (g - fitted) / s, dict(value), errors, correlation, chi2, p_run, misfit)


def _minimise(residual: Callable[[Values], Array], starts: Sequence[Start]) -> Any:
    """The better of the fits; later starts are for those that ended beside the data."""
    import lmfit  # slow, and wanted only where something is fitted

    best = None
    for start in starts:
        parameters = lmfit.Parameters()
        for name, (value, low, high) in start.items():
            ends = {"min": low, "max": high} if low < high else {"vary": False}
            parameters.add(name, value=value, **ends)
        found = lmfit.minimize(lambda p: residual(p.valuesdict()), parameters, method="leastsq")
        if best is None or found.chisqr < best.chisqr:
            best = found
        if best.redchi < 2:
            break
    return best


def _spread(residual: Callable[[Values], Array], value: Values, sizes: Values, scatter: Array) -> Array:
    """Covariance of the free parameters (those with a size) from that of the residuals, `scatter` (k, k)."""
    columns = []
    for name, size in sizes.items():
        below, above = (residual({**value, name: value[name] + way * 1e-4 * size}) for way in (-1, 1))
        columns.append((below - above) / (2e-4 * size))
    inverse = np.linalg.pinv(np.array(columns).T)
    return np.asarray(inverse @ scatter @ inverse.T)


def blurred(
    measured: Measured, line: Callable[[Array, Values], Array], *, temperature_K: float
) -> Callable[[Values], Array]:
    """A bare line as the spectrum shows it: convolved with -df/dE and the modulation, then through the smoother.

    Parameters
    ----------
    measured : Measured
    line : callable
        dI/dV of bias [V] (any shape) and parameters.
    temperature_K : float
        0 where the line has its temperature inside.

    Returns
    -------
    callable
        dI/dV (n,) of parameters.
    """
    from scipy import signal  # slow to import, and wanted only where something is fitted

    v, smoother = measured.bias, measured.smoother
    grid, kernel = _broadening(v, temperature_K, measured.modulation_rms_V)
    if kernel is None and smoother is None:
        return lambda p: line(v, p)

    def seen(p: Values) -> Array:
        fine = line(grid, p) if kernel is None else signal.fftconvolve(line(grid, p), kernel, mode="same")
        curve = interpolate.CubicSpline(grid, fine)
        return np.asarray(curve(v) if smoother is None else smoother.differentiate(curve.antiderivative()(v)))

    return seen


def _broadening(v: Array, temperature_K: float, rms_V: float) -> tuple[Array, Array | None]:
    """A grid that reaches beyond the data, and the kernel of temperature and modulation on it."""
    kT, peak = BOLTZMANN_EV * temperature_K, np.sqrt(2) * rms_V
    if kT == 0 and peak == 0:
        return np.linspace(v[0], v[-1], 8 * (v.size - 1) + 1), None
    narrow = min(x for x in (3.5 * kT, 1.7 * peak) if x > 0)
    step = max(min(narrow / 20, float(np.median(np.diff(v)))), np.ptp(v) / 20000)
    half = 24 * kT + peak + step
    k = np.arange(-int(np.ceil(half / step)), int(np.ceil(half / step)) + 1) * step
    kernel = thermal_kernel(k, temperature_K) if kT > 0 else np.where(k == 0, 1.0, 0.0)
    if peak > 0:
        m = modulation_kernel(k, peak)
        kernel = np.convolve(kernel, m / m.sum(), mode="same")
    # Twice the kernel on both sides, so that the zeros beyond the grid do not reach the data.
    grid = np.arange(v[0] - 2 * half, v[-1] + 2 * half + step, step)
    return grid, kernel / kernel.sum()


def not_at_ends(fit: LineFit, starts: Sequence[Start]) -> LineFit:
    """The fit, called poor and without uncertainties if a parameter went to the end of what was allowed.

    Parameters
    ----------
    fit : LineFit
    starts : sequence of Start
        With the ends of each parameter.
    """
    ends = starts[0]
    stuck = [name for name, x in fit.values.items() if np.isclose(x, ends[name][1:], rtol=1e-3, atol=0).any()]
    if not stuck:
        return fit
    words = f"poor: {', '.join(stuck)} at the end of what was allowed: the data do not hold it"
    return replace(
        fit, verdict=words, errors=dict.fromkeys(fit.errors, NAN), correlation=np.full(fit.correlation.shape, NAN)
    )


def starts_within(ends: dict[str, tuple[float, float]], *values: Sequence[float]) -> list[Start]:
    """Starts from the values of each (in the order of `ends`) and the ends of what is allowed.

    Parameters
    ----------
    ends : dict
        Parameter to its lower and upper end, SI.
    *values : sequence of float
        One start each: a value for each parameter, in the order of `ends`.
    """
    return [{name: (x, *ends[name]) for name, x in zip(ends, one, strict=True)} for one in values]


def straight_starts(
    measured: Measured, shapes: Callable[..., list[Array]], grid: Sequence[tuple[float, ...]]
) -> tuple[tuple[float, ...], Array]:
    """The point of a grid at which a sum of shapes meets the data best, and the factors of the shapes.

    Parameters
    ----------
    measured : Measured
    shapes : callable
        Of bias (k,) and a point of the grid: arrays (k,) that enter linearly.
    grid : sequence of tuple of float
        Values of what enters in other ways.

    Notes
    -----
    For fixed non-linear parameters the best factors solve a linear problem: G. H. Golub and V. Pereyra,
    SIAM J. Numer. Anal. 10, 413 (1973), doi:10.1137/0710036.
    """
    v, g, s = measured.points
    best: tuple[float, tuple[float, ...], Any] = (np.inf, grid[0], np.zeros(1))
    for point in grid:
        matrix = np.stack(shapes(v, *point), axis=1) / s[:, None]
        factors = np.linalg.lstsq(matrix, g / s, rcond=None)[0]
        left = float(np.sum((matrix @ factors - g / s) ** 2))
        if left < best[0]:
            best = left, point, factors
    return best[1], best[2]
