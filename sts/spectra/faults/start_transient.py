"""Start transients: what relaxes in time from the first sample of I(V) sweeps, at whatever bias they start, is no spectrum."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from sts.curves.averaging import group_codes, rows_of_codes
from sts.curves.electronics import find_saturation, noise_level
from sts.curves.replicates import direction_signs
from sts.curves.robust import median_known
from sts.spectra.faults.relaxation import SIBLINGS, Fit, Frame, fit_relaxation, repeats, without_ripple
from sts.sweeps import SweepSet

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

LATE = 0.3  # share of a sweep's time after which what it measures is taken for the spectrum
EARLY = 0.05  # and the time by which other sweeps must have measured the first biases of a sweep
LEAST_WINDOW = 0.3  # share of a sweep's samples that must be comparable
CLEAR = 5.0  # standard uncertainties of its size from which a relaxation is found against the other direction
CLEAR_ELSEWHERE = 4.5  # the same against sweeps of other ranges
STANDING_OUT = 7.0  # the same among sweeps that start alike, where a spectrum that changed would show, too
SIZE = 1.5  # and its size, in units of the noise there
BESIDE = 2.0  # standard uncertainties by which a sweep may miss `OWN`
AHEAD = 1.5  # times as large as the same relaxation counted from the other end, where a spectrum would show as well
CLEARER = (
    2.0  # or as many times as clear, in standard uncertainties: where the current is steep, sizes are hardly known
)
FEIGNED = 2.5  # times the size that noise in what it is compared with may feign
AMONG = 6.0  # times the middle size among sweeps that start alike: four standard deviations of normal noise
OWN = 0.35  # share of that size which the sweep itself must have where the one that ran back may relax, too
TAIL = 0.5  # masked until it falls below this share of the noise of an average
LONGEST = 0.5  # share of a sweep that is masked at most
FEWEST = 24  # samples of a sweep


@dataclass(frozen=True)
class Transient:
    """One sweep that relaxes from its start."""

    number: int  # of its set
    row: int  # in that set
    end: int  # +1: it starts at the lowest bias, -1: at the highest
    size_A: float  # at the first sample, with its sign
    tau: float  # time constant in steps between samples
    samples: int  # masked at that end
    how: str  # what it was compared with; "" where it is presumed
    times_limit: float = np.nan  # how far it is beyond the least that is told
    gradual: bool = True  # it explains the sweep better than a step of the level at any place


@dataclass(frozen=True, eq=False)
class _Start:
    """Sweeps of one set that start alike: place, tip, set-point and direction agree."""

    number: int
    rows: NDArray[np.int64]
    sign: int
    setting: str  # set-point
    axis: Array
    current: Array  # (m, n) without ripple [A], NaN where saturated
    curve: Array  # (n,) their median curve [A], at their mean level

    def time(self, end: int) -> Array:
        """Time of each sample as a share of the sweep, if it starts at this end."""
        share = np.linspace(0.0, 1.0, self.axis.size)
        return share if end > 0 else share[::-1]

    @property
    def ends(self) -> tuple[int, ...]:
        """Where it may have started."""
        return (self.sign,) if self.sign else (1, -1)

    def late(self) -> Array:
        """The median curve where it counts as spectrum, whichever end it may have started from; NaN elsewhere."""
        settled = np.logical_and.reduce([self.time(end) >= LATE - 1e-9 for end in self.ends])
        return np.where(settled, self.curve, np.nan)


def find_start_transients(
    sets: Sequence[SweepSet], omitted: frozenset[str] = frozenset(), *, among: Collection[str] | None = None
) -> list[Transient]:
    """Find the sweeps whose current relaxes from their start.

    Parameters
    ----------
    sets : sequence of SweepSet
        Of kind ``"iv"``. Sweeps are compared with others of their sample, tip and site, of any set.
    omitted : frozenset of str
        Names of sweeps that are neither judged nor compared with.
    among : collection of str, optional
        Only what can be compared with one of these sweeps is looked at.

    Returns
    -------
    list of Transient

    Notes
    -----
    A sweep is compared with what others measured at the same biases when they had settled: sweeps of another direction or
    another first bias. Where nothing of the kind is there, with those that start alike, among which a few may stand out.
    The difference may hold a level, an offset, a lag and a drift, and beside these a relaxation c exp(-t/τ) from the
    first sample (`fit_relaxation`); a spectrum knows nothing of the time. Where the direction is not recorded both ends
    are tried. Where all that can be compared relaxes, sweeps that cannot be compared are presumed to. A single start in
    a single direction shows nothing, and is not flagged. Own invention, proved by simulation.
    """
    found: list[Transient] = []
    for starts in _families(sets, omitted):
        if among is None or any(sets[start.number].names[row] in among for start in starts for row in start.rows):
            found += _of_family(starts)
    return found


def _families(sets: Sequence[SweepSet], omitted: frozenset[str]) -> list[list[_Start]]:
    """The sweeps that may be compared: same sample, tip and site, whatever their axis, direction and set-point."""
    families: dict[tuple[str, ...], list[_Start]] = {}
    for number, part in enumerate(sets):
        if not part.has_current or part.axis.size < FEWEST:
            continue
        place = [c for c in ("sample", "tip", "unassigned", "channel", "day", "site") if c in part.table]
        codes = group_codes(part.table, [*place, "setpoint_current_A", "setpoint_bias_V", "direction"])
        signs = direction_signs(part.table, part.kind)
        railed = find_saturation(part.current, full_scale=part.table["full_scale_A"].to_numpy(float))
        current = np.where(railed, np.nan, part.current)
        whole = np.isfinite(current).mean(axis=1) > 0.5
        fit = whole & ~np.isin(part.names, list(omitted))
        for of_code in rows_of_codes(codes):
            rows = of_code[fit[of_code]]
            if not rows.size:
                continue
            own = without_ripple(current[rows])
            curve = _curve(own)
            if curve is not None:
                key = tuple(str(part.table.iloc[rows[0]][c]) for c in place)
                setting = str(part.table.iloc[rows[0]][["setpoint_current_A", "setpoint_bias_V"]].tolist())
                start = _Start(number, rows, int(signs[rows[0]]), setting, part.axis, own, curve)
                families.setdefault(key, []).append(start)
    return list(families.values())


def _curve(current: Array) -> Array | None:
    """The median curve (n,) of sweeps (m, n) brought to one level, at their mean level; None where there is no current."""
    there = np.isfinite(current).all(axis=0)
    level = np.sqrt(np.mean(current[:, there] ** 2, axis=1)) if there.any() else np.zeros(len(current))
    if not (level > 0).all():
        return None
    scaled = current / level[:, None] * level.mean()
    seen = np.isfinite(scaled).any(axis=0)
    curve = np.full(current.shape[1], np.nan)
    middle = median_known if len(scaled) > 3 else np.nanmean
    curve[seen] = middle(scaled[:, seen], axis=0)
    return curve


def _elsewhere(start: _Start, family: Sequence[_Start]) -> Array:
    """What the others measured at the biases of these sweeps when they had settled (n,), at their level; NaN: nothing."""
    rows = []
    for other in family:
        if other is start:
            continue
        late = other.late()
        seen = np.isfinite(late)
        if seen.sum() < FEWEST // 2:
            continue
        row = CubicSpline(other.axis[seen], late[seen], extrapolate=False)(start.axis)
        both = np.isfinite(row) & np.isfinite(start.curve)
        if both.any() and np.any(row[both]):
            rows.append(row * np.sqrt(np.sum(start.curve[both] ** 2) / np.sum(row[both] ** 2)))
    curve = np.full(start.axis.size, np.nan)
    if rows:
        table = np.array(rows)
        widest = np.isfinite(table).sum(axis=1)
        table = table[widest >= 0.98 * widest.max()]  # a short one would make a step where it ends
        seen = np.isfinite(table).all(axis=0)
        curve[seen] = table[:, seen].mean(axis=0)
    return curve


def _ran_back(start: _Start, other: _Start) -> bool:
    return start.number == other.number and start.setting == other.setting and start.sign * other.sign == -1


@dataclass(frozen=True, eq=False)
class _Seen:
    """What one comparison says of sweeps that start alike."""

    end: int
    fit: Fit  # of each sweep
    found: Mask  # (m,)
    clear: float  # least score
    how: str


def _frame(start: _Start, reference: Array, end: int, middle: Array | None = None) -> Frame | None:
    """What is compared if the sweeps start at this end; None where the start is not covered."""
    time = start.time(end)
    use = np.isfinite(reference) & np.isfinite(start.current).all(axis=0)
    if use.mean() < LEAST_WINDOW or use.sum() < FEWEST // 2 or time[use].min() > EARLY:
        return None
    return Frame.of(start.axis, reference, time * (start.axis.size - 1), use, middle=middle)


def _compare(start: _Start, reference: Array, how: str, middle: Array | None = None) -> _Seen | None:
    """Which of the sweeps relax against a reference (n,), and from which end; None where it tells nothing."""
    best: _Seen | None = None
    for end in start.ends:
        frame = _frame(start, reference, end, middle)
        if frame is None:
            continue
        current = start.current[:, frame.use]
        noise = median_known(noise_level(start.current))
        fit = fit_relaxation(current, frame, float(noise))
        clear = CLEAR if frame.mirrored else CLEAR_ELSEWHERE
        found = _clear(fit, frame.mirrored, clear, SIZE)
        if reference is start.curve:  # of which only a few can stand out
            found &= (np.abs(fit.score) > STANDING_OUT) & (found.mean() < 0.5)
        elif len(current) > 1:
            # Slow noise scatters the sizes of all; in few samples with a current it looks like a relaxation
            found &= (np.abs(fit.size) > AMONG * fit.among) | fit.repeats
            mean = fit_relaxation(current.mean(axis=0)[None], frame, float(noise) / np.sqrt(len(current)))
            if _clear(mean, frame.mirrored, clear, 0.0)[0] and abs(mean.size[0]) > SIZE * fit.noise[0]:
                shared = fit_relaxation(current, frame, float(noise), tau=float(mean.tau[0]))
                if repeats(shared.size):
                    fit, found = shared, _alike(shared, float(mean.size[0]))
        seen = _Seen(end, fit, found, STANDING_OUT if reference is start.curve else clear, how)
        if best is None or np.sum(found * np.abs(fit.score)) > np.sum(best.found * np.abs(best.fit.score)):
            best = seen
    return best


def _clear(fit: Fit, mirrored: bool, score: float, size: float) -> Mask:
    """Which sweeps relax so clearly, and from this end rather than from the other."""
    found: Mask = (np.abs(fit.score) > score) & (np.abs(fit.size) > size * fit.noise)
    if mirrored:
        return found & (np.sign(fit.size) * fit.own > OWN * np.abs(fit.size) - BESIDE * fit.own_se)
    other = np.maximum(np.abs(fit.other) - BESIDE * fit.other_se, 0.0)  # where the current is steep it is hardly known
    ahead = np.abs(fit.own) > AHEAD * other
    ahead |= np.abs(fit.own) / fit.own_se > CLEARER * np.abs(fit.other) / fit.other_se
    return found & ahead & (np.abs(fit.size) > FEIGNED * fit.feigned)


def _alike(fit: Fit, size: float) -> Mask:
    """Which of the sweeps whose mean relaxes by `size` have nothing against it themselves."""
    sign = np.sign(size)
    part: Mask = np.minimum(sign * fit.size, sign * fit.own + BESIDE * fit.own_se) > OWN * abs(size)
    return part


def _of_family(family: Sequence[_Start]) -> list[Transient]:
    """The transients of sweeps that may be compared."""
    found: list[Transient] = []
    compared: list[tuple[_Start, _Seen]] = []
    alone: list[_Start] = []
    for start in family:
        back = next((other for other in family if _ran_back(start, other)), None)
        if back is not None:
            seen = _compare(start, back.curve, "the other direction", (start.curve + back.curve) / 2)
        else:
            seen = _compare(start, _elsewhere(start, family), "sweeps that start elsewhere")
        if seen is None:
            alone.append(start)
        else:
            compared.append((start, seen))
            found += _told(start, seen)
    sign = np.sign(sum(one.size_A for one in found))
    unsure = []
    for start in alone:
        seen = _compare(start, start.curve, "others that start alike") if len(start.rows) >= SIBLINGS else None
        rest = [] if seen is None else [one for one in _told(start, seen) if not sign or np.sign(one.size_A) == sign]
        found += rest
        if not rest:
            unsure.append(start)
    return found + (_presumed(unsure, compared, found) if unsure else [])


def _told(start: _Start, seen: _Seen) -> list[Transient]:
    """The sweeps that were found to relax, and how far each is masked."""
    fit, points = seen.fit, start.axis.size
    average = TAIL * fit.noise / np.sqrt(len(start.rows))
    found = []
    for i in np.flatnonzero(seen.found).tolist():
        tau = float(fit.tau[i])
        reach = tau * np.log(max(abs(fit.size[i]) / average[i], np.e))
        samples = int(min(np.ceil(reach), LONGEST * points))
        size = float(fit.size[i])
        times = max(min(abs(fit.score[i]) / seen.clear, abs(size) / (SIZE * fit.noise[i])), 1.0)
        row, gradual = int(start.rows[i]), fit.gradual(i)
        found.append(Transient(start.number, row, seen.end, size, tau, samples, seen.how, float(times), gradual))
    return found


def _presumed(
    unsure: Sequence[_Start], compared: Sequence[tuple[_Start, _Seen]], found: Sequence[Transient]
) -> list[Transient]:
    """Sweeps that start where no other had settled, where all that could be compared relaxes: as long as these, in samples."""
    shown = sum(int(seen.found.sum()) for _, seen in compared)
    if len(compared) < 2 or shown < sum(len(start.rows) for start, _ in compared):
        return []
    size, tau = (float(np.median([getattr(one, name) for one in found])) for name in ("size_A", "tau"))
    samples, end = max(one.samples for one in found), found[0].end
    return [
        Transient(
            start.number, int(row), start.sign or end, size, tau, min(samples, int(LONGEST * start.axis.size)), ""
        )
        for start in unsure
        for row in start.rows
    ]
