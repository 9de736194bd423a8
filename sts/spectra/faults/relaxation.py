"""Least squares for c exp(-t/τ) in what differs between a sweep and a reference, beside level, offset, lag and drift."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import nnls

from sts.curves.distributions import student_quantile

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

TAUS = 14  # time constants that are tried
SHORTEST, SHARE = 3.0, 0.2  # the shortest [samples] and the longest [share of the sweep]
DRIFT, LAG = (
    0.1,
    0.02,
)  # standard deviations of ln I per sweep, and of the bias by which it lags as a share of the range
HIDDEN = 1.5  # slow noise before the fit over what the fit leaves of it
CYCLES, LINE = 8, 20.0  # least periods of a ripple in a sweep, and its power over the median of the others
ORDER = 9  # of the polynomial in time that is taken off before a ripple is looked for
SIBLINGS = 4  # sweeps that start alike from which their scatter is known
ENDS = 0.3  # share of the samples that counts as near an end
FLOOR = 1e-3  # of the largest current: no comparison is better than this


@dataclass(frozen=True, eq=False)
class Frame:
    """The samples that are compared, and what may differ there but for a relaxation."""

    use: Mask  # (n,)
    time: Array  # (k,) samples since the first of the sweep
    points: int  # n
    terms: Array  # (k, 4) level, offset, lag and drift
    prior: Array  # (4,) their standard deviations; infinite where free
    reference: Array  # (k,) [A], whose differences from the sweeps are looked at
    mirrored: bool  # the reference ran back on the same axis, and may relax from its own start

    @classmethod
    def of(cls, axis: Array, reference: Array, time: Array, use: Mask, *, middle: Array | None = None) -> Frame:
        """The frame of a reference.

        Parameters
        ----------
        axis : numpy.ndarray, shape (n,)
            Bias [V], ascending.
        reference : numpy.ndarray, shape (n,)
            Current [A]; NaN where there is none.
        time : numpy.ndarray, shape (n,)
            Steps since the first sample of the sweep.
        use : numpy.ndarray of bool, shape (n,)
        middle : numpy.ndarray, shape (n,), optional
            Mean of both directions, where the reference ran back on the same axis.
        """
        level = (reference if middle is None else middle)[use]
        window = min(max(2 * (axis.size // 30) + 1, 7), 2 * (level.size // 2) - 1)
        slope = _slopes(level, window) / np.gradient(axis[use])
        share = time[use] / (axis.size - 1)
        terms = np.column_stack([level, np.ones_like(level), slope, level * (share - 0.5)])
        prior = np.array([np.inf, np.inf, LAG * np.ptp(axis), DRIFT])
        return cls(use, time[use], axis.size, terms, prior, reference[use], middle is not None)

    def ends(self, taus: Array) -> Array:
        """exp(-t/τ), and the same counted from the last sample in use, as columns (r, k, 2).

        Parameters
        ----------
        taus : numpy.ndarray, shape (r,)
            Steps.
        """
        return np.exp(-np.column_stack([self.time, self.time.max() - self.time]) / taus[:, None, None])

    def relaxation(self, ends: Array) -> Array:
        """What the difference holds if the sweep relaxes, and the reference with it where that ran back: columns (r, k, 1).

        Parameters
        ----------
        ends : numpy.ndarray, shape (r, k, 2)
            As `ends` gives them.
        """
        return ends[..., :1] - ends[..., 1:] if self.mirrored else ends[..., :1]


def _slopes(level: Array, window: int) -> Array:
    """Slope at each sample of a parabola through `window` (odd) around it, or the first or last so many [A per sample]."""
    place = np.arange(window) - window // 2
    inner = np.correlate(level, place / (place @ place), mode="valid")
    _, slope, bend = np.polynomial.polynomial.polyfit(place, np.stack([level[:window], level[-window:]], axis=1), 2)
    first, last = slope[:, None] + 2 * bend[:, None] * place
    return np.concatenate([first[: window // 2], inner, last[window // 2 + 1 :]])


def without_ripple(current: Array) -> Array:
    """Sweeps (m, n) without a sinusoid in time, where one of a common frequency stands out; NaN stays.

    Parameters
    ----------
    current : numpy.ndarray, shape (m, n)
        [A], samples in the order of time, or all backwards.

    Notes
    -----
    A line in the power spectrum of what a polynomial in time leaves; its amplitude and phase are each sweep's own. Sweeps on
    other axes have the same ripple at another period of bias, where it would be taken for a difference.
    """
    use = np.isfinite(current).all(axis=0)
    count = int(use.sum())
    if count < 5 * CYCLES or np.ptp(np.diff(np.flatnonzero(use))):
        return current
    time = np.linspace(-1.0, 1.0, count)
    smooth = np.polynomial.legendre.legvander(time, ORDER)
    left = current[:, use] - current[:, use] @ np.linalg.pinv(smooth).T @ smooth.T
    power = (np.abs(np.fft.rfft(left * np.hanning(count), n=4 * count, axis=1)) ** 2).mean(axis=0)
    frequency = np.fft.rfftfreq(4 * count)
    power[frequency < CYCLES / count] = 0
    best = int(np.argmax(power))
    if power[best] < LINE * np.median(power[frequency >= CYCLES / count]):
        return current
    phase = 2 * np.pi * frequency[best] * np.arange(count)
    wave = np.column_stack([np.cos(phase), np.sin(phase)])
    found = np.linalg.pinv(np.column_stack([smooth, wave]))[-2:]
    clean = current.copy()
    clean[:, use] -= current[:, use] @ found.T @ wave.T
    return clean


@dataclass(frozen=True, eq=False)
class Fit:
    """What m sweeps show of a relaxation, each (m,)."""

    size: Array  # at the first sample [A]
    score: Array  # size over its standard uncertainty
    own: Array  # size at the first sample, where the other end may hold another [A]
    own_se: Array  # its standard uncertainty
    other: Array  # and that size [A]
    other_se: Array
    tau: Array  # steps
    feigned: Array  # size that the noise of the reference may feign, where a relaxation looks like it [A]; NaN if it ran back
    noise: Array  # of a sample where the relaxation is largest [A]
    among: Array  # median of the sizes of all m sweeps with this time constant, without their signs [A]
    repeats: Mask  # (m,) whether these have a mean that stands clear of their scatter
    gradual: Callable[
        [int], bool
    ]  # whether it leaves less of a sweep, by its row, than the best step of the level does


def fit_relaxation(current: Array, frame: Frame, noise_A: float, *, tau: float | None = None) -> Fit:
    """Fit a relaxation to the differences between sweeps and a reference.

    Parameters
    ----------
    current : numpy.ndarray, shape (m, k)
        Sweeps [A] on the samples in use.
    frame : Frame
    noise_A : float
        Standard deviation from point to point [A].
    tau : float, optional
        The time constant [steps], where it is known.

    Notes
    -----
    The variance of a sample is a + b I², found from residuals in two rounds; their correlation in time enters the
    uncertainty of c as 1 + 2 Σ ρ_h exp(-h/τ), which is exact for an infinitely long relaxation (first-order
    perturbation of least squares; common practice, no source). Time constants go from 2 samples to a fifth of the
    sweep: a longer one is no different from drift.
    """
    taus = np.geomspace(SHORTEST, SHARE * frame.points, TAUS) if tau is None else np.array([tau])
    least = float(np.hypot(noise_A, FLOOR * np.max(np.abs(frame.reference))))
    current = current - frame.reference
    ends = frame.ends(taus)
    sigma = np.full(frame.time.size, least)
    left = residual = _residual(current, frame, sigma, ends)
    for _ in range(2):
        sigma = _spread(residual, frame.reference, least)
        residual = _residual(current, frame, sigma, ends)
    noise = left.std() / sigma
    inflation = _inflation(residual / sigma, frame.time, taus)
    single, both = frame.relaxation(ends), _design(frame, sigma, ends)
    alone = _design(frame, sigma, single)
    sizes, scores, own, own_se, other, other_se, feigned = (np.empty((taus.size, len(current))) for _ in range(7))
    for i in range(taus.size):
        sizes[i] = current @ alone.solve[i, -1]
        scores[i] = sizes[i] / np.sqrt(alone.variance[i, -1] * inflation[i])
        feigned[i] = np.nan if frame.mirrored else _feigned(frame, sigma, single[i], noise)
        own[i], other[i] = both.solve[i, -2:] @ current.T
        own_se[i], other_se[i] = np.sqrt(both.variance[i, -2:] * inflation[i])
    best = np.argmax(np.abs(scores), axis=0)
    rows = np.arange(len(current))
    first = float(np.median(sigma[np.argsort(frame.time)[: max(int(0.1 * frame.points), 3)]]))
    return Fit(
        size=sizes[best, rows], score=scores[best, rows], own=own[best, rows], own_se=own_se[best, rows],
        other=other[best, rows], other_se=other_se[best, rows],
        tau=taus[best], feigned=feigned[best, rows], noise=np.full(len(current), first),
        among=np.median(np.abs(sizes), axis=1)[best], repeats=repeats(sizes)[best],
        gradual=lambda row: _gradual(current[row], frame, sigma, ends[best[row]]),
    )  # fmt: skip


def repeats(size: Array) -> Mask:
    """Whether the mean of m sizes stands clear of their scatter, and of that of as many in the reference; few may not tell.

    Parameters
    ----------
    size : numpy.ndarray, shape (..., m)
    """
    count = size.shape[-1]
    if count < SIBLINGS:
        return np.ones(size.shape[:-1], bool)
    error = np.std(size, axis=-1, ddof=1) * np.sqrt(2 / count)
    return np.asarray(np.abs(size.mean(axis=-1)) > student_quantile(0.995, count - 1) * error)


@dataclass(frozen=True, eq=False)
class _Design:
    """Weighted least squares with each of r time constants."""

    columns: Array  # (r, k, p)
    solve: Array  # (r, p, k), which makes coefficients from samples
    variance: Array  # (r, p) of the coefficients


def _design(frame: Frame, sigma: Array, shapes: Array) -> _Design:
    """The least squares for the terms of a frame and these shapes (r, k, 1 or 2)."""
    columns = np.concatenate([np.broadcast_to(frame.terms, (len(shapes), *frame.terms.shape)), shapes], axis=2)
    scale = np.sqrt((columns**2).mean(axis=1))
    scale[scale == 0] = 1.0
    design = columns / sigma[:, None] / scale[:, None, :]
    prior = np.diag(np.append(1 / frame.prior, np.zeros(shapes.shape[2]))) / scale[:, None, :]
    inverse = np.linalg.pinv(np.concatenate([design, prior], axis=1), rcond=1e-9)
    return _Design(
        columns, inverse[:, :, : len(sigma)] / sigma / scale[:, :, None], (inverse**2).sum(axis=2) / scale**2
    )


def _gradual(current: Array, frame: Frame, sigma: Array, ends: Array) -> bool:
    """Whether the relaxation (k, 2) of its time constant leaves less of a sweep (k,) than a step at the best place.

    Both beside the terms of the frame, held by their prior, and a relaxation from the other end.
    """
    level = frame.terms[:, 0] / sigma
    late = np.argsort(-frame.time, kind="stable")

    def from_here_on(values: Array) -> Array:
        """What a step at each sample has in common with these (k, c): the sum of level times them from there on."""
        sums = np.empty_like(values)
        sums[late] = np.cumsum((level[:, None] * values)[late], axis=0)
        return sums

    prior = np.diag(np.append(1 / frame.prior, 0.0))[:-1]
    shape, sweep = ends[:, 0] / sigma, (current / sigma)[:, None]
    terms = np.column_stack([frame.terms, ends[:, 1]]) / sigma[:, None]
    base = np.linalg.qr(np.r_[terms, prior])[0][: sigma.size]  # of the prior a step and a relaxation have nothing
    along, known = base.T @ shape, base.T @ sweep
    relaxes = (shape @ sweep - along @ known) ** 2 / _left(shape @ shape, along[None])[0]
    steps = from_here_on(base)
    gain = (from_here_on(sweep) - steps @ known) ** 2 / _left(from_here_on(level[:, None])[:, 0], steps)[:, None]
    return bool(relaxes[0] >= gain.max())


def _left(whole: Any, along: Array) -> Array:
    """Square of what the terms leave of columns of this square, of which so much (c, q) lies along them."""
    return np.asarray(np.maximum(whole - (along**2).sum(axis=1), 1e-9 * whole))


def _feigned(frame: Frame, sigma: Array, shape: Array, noise: Array) -> float:
    """Size of a relaxation (k, 1) that takes over from a level which noise (k,), in sigmas, in the reference holds down.

    Noise in what is fitted with draws its factor towards zero by the share of the noise in what the other columns leave of
    it (W. A. Fuller, Measurement Error Models, 1987; from memory).
    """
    others = np.column_stack([frame.terms[:, 1:], shape]) / sigma[:, None]
    level = frame.terms[:, 0] / sigma
    factors = np.linalg.lstsq(others / np.sqrt((others**2).mean(axis=0) + 1e-300), level, rcond=1e-9)[0]
    factors = factors / np.sqrt((others**2).mean(axis=0) + 1e-300)
    rest = float(np.sum((level - others @ factors) ** 2))
    return float(abs(factors[-1]) * min(np.sum(noise**2) / max(rest, 1e-300), 1.0))


def _residual(current: Array, frame: Frame, sigma: Array, ends: Array) -> Array:
    """What is left (m, k) of each sweep after the fit with its best time constant."""
    left, least = np.empty_like(current), np.full(len(current), np.inf)
    design = _design(frame, sigma, ends)
    for columns, solve in zip(design.columns, design.solve, strict=True):
        rest = current - (current @ solve.T) @ columns.T
        chi = ((rest / sigma) ** 2).sum(axis=1)
        better = chi < least
        left[better], least[better] = rest[better], chi[better]
    return left


def _spread(residual: Array, reference: Array, least: float) -> Array:
    """Standard deviation (k,) of the samples, as a + b I² of the squares of the residuals (m, k)."""
    square = np.median(residual**2, axis=0) / 0.455 if len(residual) > 4 else (residual**2).mean(axis=0)
    top, size = float(square.mean()), float(np.mean(reference**2))
    if not top > 0 or not size > 0:
        return np.full(reference.size, least)
    terms, _ = nnls(np.column_stack([np.ones(reference.size), reference**2 / size]), square / top)
    variance = top * (terms[0] + terms[1] * reference**2 / size)
    return np.asarray(np.sqrt(np.maximum(variance, least**2)))


def _inflation(residual: Array, time: Array, taus: Array) -> Array:
    """How much larger the variance of each relaxation (taus,) is than if samples were independent and as spread as assumed.

    Of all samples, or of those near the ends, if that is more: the noise of the gap is there where a current flows.
    """
    ordered = residual[:, np.argsort(time)]
    third = int(ENDS * ordered.shape[1])
    outer = np.r_[ordered[:, :third], ordered[:, -third:]]
    return np.asarray(np.maximum(_correlated(ordered, taus), _correlated(outer, taus)))


def _correlated(rows: Array, taus: Array) -> Array:
    """The same from rows (r, k) of residuals in the order of time."""
    count = rows.shape[1]
    lags = np.arange(1, min(int(3 * taus.max()), max(count // 2, 2)))
    power = float((rows**2).mean()) or 1.0
    rho = np.array([(rows[:, h:] * rows[:, :-h]).sum() / (rows.size * power) for h in lags])
    factor = np.array([1 + 2 * HIDDEN * float((rho * np.exp(-lags / tau)).sum()) for tau in taus])
    return np.asarray(np.maximum(np.maximum.accumulate(factor), 1.0) * max(power, 1.0))
