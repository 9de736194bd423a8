"""Where one band begins, averaged over the forms that fit its onset, with what units, points and forms say of its uncertainty."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d
from scipy.special import chdtrc

from sts.curves.averaging import unit_means
from sts.spectra.gaps.band_forms import EXPONENTS, Blur

Array = NDArray[np.float64]

PLACES = 121  # of an edge that are tried
LEAST_BEYOND = 0.1  # of the range of the points: what must lie beyond an edge
LEAST_P = 0.05  # of a fit that is believed over this much of the band
MOST_BENT = 1.0  # of a band: what is more over the range of the points is another form
BENDS = (0, 1, 2)
NO_FORM_P = 0.01  # below it no form fits, and noise is no measure of which is nearer
REACHES = (0.9, 0.65, 0.45)  # of the way from the onset to the end of the axis: the widest that fits is used


@dataclass(frozen=True, eq=False)
class Curves:
    """dI/dV of every repeat on one side of a gap.

    Attributes
    ----------
    distance : numpy.ndarray
        (k,) from zero bias outwards [V].
    each : numpy.ndarray
        (r, k) repeats.
    codes : numpy.ndarray
        (r,) int: the unit that each repeat is of.
    beside : numpy.ndarray
        (s, k) curves that have no part in the fit, but are read by its best form; none if not given.
    """

    distance: Array
    each: Array
    codes: NDArray[np.int64]
    beside: Array = field(default_factory=lambda: np.empty((0, 0)))

    def at(self, points: NDArray[np.bool_]) -> Curves:
        """The same at some of the points.

        Parameters
        ----------
        points : numpy.ndarray of bool, shape (k,)
        """
        beside = self.beside[:, points] if len(self.beside) else self.beside
        return replace(self, distance=self.distance[points], each=self.each[:, points], beside=beside)

    @property
    def alone(self) -> bool:
        """Whether every repeat is a unit."""
        return len(self.each) == int(self.codes.max()) + 1


@dataclass(frozen=True, eq=False)
class Edge:
    """An edge [V] as the distance from zero bias.

    Attributes
    ----------
    place : float
    spread : float
        Between the forms that fit, as a standard deviation.
    influence : numpy.ndarray
        (m,) what each unit says, less their mean.
    sampling : float
        Standard uncertainty where the points lie wider apart than the blur: a tenth of a step, 0.3 of one for a band that
        begins as a step.
    noise : float
        Standard uncertainty from the noise of points, for want of units.
    each : numpy.ndarray
        (r + s,) of every repeat, then of every curve beside, by the best form.
    weights : dict
        Exponent to its weight.
    p : float
        Of the misfit of the best form.
    """

    place: float
    spread: float
    influence: Array
    sampling: float
    noise: float
    each: Array
    weights: dict[float, float]
    p: float


@dataclass(frozen=True)
class _Form:
    exponent: float
    bends: int

    @property
    def free(self) -> int:
        return 3 + self.bends

    def shapes(self, distance: Array, places: Array, blur: Blur) -> Array:
        """Floor, band and its bends (e, k, 2 to 4) for edges at `places` (e,)."""
        beyond = distance - places[:, None]
        reach = float(np.ptp(distance))
        powers = self.exponent + np.arange(self.bends + 1)
        shapes = [blur.edge(p, beyond) / reach**p for p in powers]
        return np.stack([np.ones_like(beyond), *shapes], axis=-1)

    def slopes(self, distance: Array, place: float, factors: Array, blur: Blur, step: float) -> Array:
        """Derivatives (k, free) by each factor and by the edge, the last."""
        at, after, before = self.shapes(distance, place + step * np.array([0.0, 1.0, -1.0]), blur)
        return np.column_stack([at, (after - before) @ factors / (2 * step)])


def fit_edge(curves: Curves, blur: Blur, *, exponent: float | None = None) -> Edge | None:
    """The edge of a band and what is not known of it; None where no form of a band fits at all.

    Parameters
    ----------
    curves : Curves
        From the floor outwards.
    blur : Blur
    exponent : float, optional
        If it is known; else 0, 1/2, 1 and 2 are compared.

    Notes
    -----
    Each form is c + a x^p, or c + a x^p + b x^(p+1) where transmission and band bend, at the distance x beyond the edge, broadened
    as the data are. For each place of the edge the factors solve a linear problem (G. H. Golub, V. Pereyra, SIAM J.
    Numer. Anal. 10, 413, 1973). Forms count by exp(-χ²/2 - k) with k factors, χ² over its reduced value where that is
    above 1 (quasi-AIC, K. P. Burnham, D. R. Anderson, Model Selection and Multimodel Inference, 2002), over as many
    points as are independent (n (1 - ρ)/(1 + ρ), ρ the correlation of neighbours). The fit reaches as far into the band as one
    of the forms holds. Where none does (p below 0.01), forms count by (χ²)^-2.
    """
    low, high = float(curves.distance[0]), float(curves.distance[-1])
    found = None
    start = _onset(curves)
    for reach in REACHES:
        part = curves.distance <= max(start + reach * (high - start), low)
        if part.sum() < 8:
            continue
        found = _fit_part(curves.at(part), blur, exponent) or found
        if found is not None and found.p > LEAST_P:
            break
    return found


def _onset(curves: Curves) -> float:
    """Where the mean rises through a twentieth of its largest value for the last time [V]."""
    mean = curves.each.mean(axis=0)
    below = np.flatnonzero(mean < mean[: max(3, mean.size // 10)].mean() + 0.05 * np.ptp(mean))
    return float(curves.distance[below[-1] if below.size else 0])


def _fit_part(curves: Curves, blur: Blur, exponent: float | None) -> Edge | None:
    x, each, codes = curves.distance, curves.each, curves.codes
    mean = each.mean(axis=0)
    places = np.linspace(x[0], x[-1] - LEAST_BEYOND * (x[-1] - x[0]), PLACES)
    step = float(places[1] - places[0]) / 4
    forms = [_Form(p, bends) for p in (EXPONENTS if exponent is None else (exponent,)) for bends in BENDS]
    shapes = [form.shapes(x, places, blur) for form in forms]
    sigma, independent = _noise(curves, *_first(forms, shapes, x, mean, places, blur))
    own = mean[None] if curves.alone else unit_means(each, codes)
    counts = np.full(1, len(each)) if curves.alone else np.bincount(codes)
    weight, share = 1 / sigma, independent / x.size

    def closer(i: int, rows: Array) -> tuple[Array, Array, Array]:
        about = _scan(shapes[i], rows, weight, places)[0]
        near = np.linspace(about.min() - 4 * step, about.max() + 4 * step, PLACES)
        return _scan(forms[i].shapes(x, near, blur), rows, weight, near)

    fits = [closer(i, own) for i in range(len(forms))]
    free = np.array([form.free for form in forms])
    chi2 = np.array([found @ counts for _, found, _ in fits]) * share
    left = np.maximum(len(own) * (independent - free), 1.0)
    best = int(np.argmin(chi2 + 2 * len(own) * free))
    if not np.isfinite(chi2[best]):
        return None
    reduced = max(float(chi2[best] / left[best]), 1.0)
    p = float(chdtrc(left[best], chi2[best]))
    lead = (chi2 - chi2[best]) / (2 * reduced) + len(own) * (free - free[best])
    likely = _likely(lead if p > NO_FORM_P else 2 * np.log(chi2 / chi2[best]))
    place, noise = np.zeros((2, len(forms)))
    influence = np.zeros((len(forms), int(codes.max()) + 1))
    for i in np.flatnonzero(likely):
        at, _, factors = fits[i]
        place[i] = at.mean()
        solve = np.linalg.pinv(weight[:, None] * forms[i].slopes(x, float(at[0]), factors[0], blur, step))[-1]
        noise[i] = np.sqrt(solve @ solve / share / len(each))
        influence[i] = (each - mean) @ (solve * weight) if curves.alone else at - place[i]
    middle = float(likely @ place)
    exponents = {
        p: float(likely[[form.exponent == p for form in forms]].sum()) for p in dict.fromkeys(f.exponent for f in forms)
    }
    apart = float(np.median(np.diff(x)))
    return Edge(
        place=middle,
        spread=float(np.sqrt(likely @ (place - middle) ** 2)),
        influence=likely @ influence * np.sqrt(reduced),
        sampling=(0.1 + 0.2 * exponents.get(0.0, 0.0)) * apart if blur.width < 2 * apart else 0.0,
        noise=float(likely @ noise) * np.sqrt(reduced),
        each=closer(best, np.concatenate([each, curves.beside]) if len(curves.beside) else each)[0],
        weights={p: w for p, w in exponents.items() if w > 0},
        p=p,
    )


def _first(
    forms: list[_Form], shapes: list[Array], x: Array, mean: Array, places: Array, blur: Blur
) -> tuple[Array, Array, int]:
    """Of the form nearest to the mean: its residual, its slopes by floor, height and place, and how many factors it has."""
    flat = np.ones(x.size)
    rough = [_scan(shape, mean[None], flat, places) for shape in shapes]
    first = int(np.argmin([chi2[0] for _, chi2, _ in rough]))
    form, (place, _, factors) = forms[first], (one[0] for one in rough[first])
    residual = mean - form.shapes(x, np.array([place]), blur)[0] @ factors
    return (
        residual,
        form.slopes(x, float(place), factors, blur, float(places[1] - places[0]) / 4)[:, [0, 1, -1]],
        form.free,
    )


def _likely(lead: Array) -> Array:
    """Weights exp(-lead), those below a thousandth of the largest left out, with the sum 1."""
    weights = np.exp(-(np.where(np.isfinite(lead), lead, np.inf) - lead[np.isfinite(lead)].min()))
    weights = np.where(weights > 1e-3, weights, 0.0)
    return np.asarray(weights / weights.sum())


def _scan(shapes: Array, rows: Array, weight: Array, places: Array) -> tuple[Array, Array, Array]:
    """Edge, χ² and factors of each row (c, k) at its best place, between places by a parabola."""
    x, y = weight[:, None] * shapes, weight * rows
    size = np.maximum(np.sqrt((x**2).sum(axis=1)), 1e-300)  # (e, f)
    x = x / size[:, None]
    square, along = x.transpose(0, 2, 1) @ x, (y @ x).transpose(1, 0, 2)  # (e, f, f), (c, e, f)
    firm = np.linalg.det(square) > 1e-12
    factors = np.full(along.shape, np.nan)
    factors[:, firm] = np.linalg.solve(square[firm], along[:, firm, :, None])[..., 0]
    chi2 = (y**2).sum(axis=1)[:, None] - (along * factors).sum(axis=2)
    factors = factors / size
    bend = np.abs(factors[..., 2:]).max(axis=-1, initial=0.0)
    chi2 = np.where((factors[..., 1] > 0) & (bend <= MOST_BENT * factors[..., 1]), np.maximum(chi2, 0.0), np.inf)
    best = np.argmin(chi2, axis=1)
    row = np.arange(len(rows))
    inside = np.clip(best, 1, places.size - 2)
    before, at, after = (chi2[row, inside + k] for k in (-1, 0, 1))
    with np.errstate(invalid="ignore", divide="ignore"):
        shift = 0.5 * (before - after) / (before - 2 * at + after)
        shift = np.where((best == inside) & np.isfinite(shift), np.clip(shift, -0.5, 0.5), 0.0)
        below = np.where(shift == 0, 0.0, (before - after) * shift / 4)
    return places[best] + shift * (places[1] - places[0]), np.maximum(chi2[row, best] - below, 0.0), factors[row, best]


def _noise(curves: Curves, residual: Array, moves: Array, free: int) -> tuple[Array, float]:
    """Noise (k,) of one repeat, and how many points are independent.

    What repeats differ by in floor, height and place is no noise (`moves`, (k, 3)); of a single one it is the residual of
    a form with `free` factors.
    """
    each, codes = curves.each, curves.codes
    counts = np.bincount(codes)
    if len(each) < 2:
        rows, freedom, taken = residual[None], 1.0, free
    else:
        within = not curves.alone and bool((counts > 1).any())
        middle = unit_means(each, codes)[codes] if within else each.mean(axis=0)
        rows, freedom, taken = each - middle, len(each) - (len(counts) if within else 1), moves.shape[1]
        base = np.linalg.qr(moves)[0]
        rows = rows - rows @ base @ base.T
    k = rows.shape[1]
    variance = (rows**2).sum(axis=0) / freedom
    level = float(variance.mean())
    if level <= 0:
        return np.full(k, max(1e-6 * float(np.ptp(each)), 1e-300)), float(k)
    pooled = uniform_filter1d(variance, max(3, k // 4), mode="nearest")
    tied = float(np.clip((rows[:, 1:] * rows[:, :-1]).sum() / max((rows**2).sum(), 1e-300), 0.0, 0.98))
    independent = max(k * (1 - tied) / (1 + tied), free + 1.0)
    return np.sqrt(np.maximum(pooled, 0.2 * level) * independent / (independent - min(taken, free))), independent
