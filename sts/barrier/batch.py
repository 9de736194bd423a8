"""The arrays of one batch of I(z) sweeps, filled block by block: masks, noise, lag, fits and shape."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sts.barrier import exponential as engine
from sts.barrier.lag import Logarithms, find_lag, logarithms, ramps
from sts.barrier.noise import CLIP, CLIP_MEAN, Noise, NoiseSums, noise_sums, solve_noise
from sts.barrier.straightness import Shape, examine, slow_correlation
from sts.curves.dead_channel import stuck
from sts.curves.electronics import find_saturation, find_step
from sts.plan import BarrierPlan
from sts.quantities import CONDUCTANCE_QUANTUM
from sts.sweeps import SweepSet

Array = NDArray[np.float64]

BLOCK_VALUES = 1 << 16  # samples worked on at a time: a few arrays of them stay in the processor's cache
NOISE_ROUNDS = 4
NOISE_SWEEPS = 300  # of a group that its noise is found from
NOISE_GROUP = ("sample", "tip", "unassigned", "full_scale_A")  # sweeps that share their noise
UNUSUAL = 3.0  # standard deviations by which a sweep's noise must differ from its group's to be taken as its own
OWN_POINTS, PRIOR_POINTS, OWN_ROUNDS = 20, 15.0, 2
PARAMETERS = 3
LEAST_SHARE = 0.1  # of the variance seen at the far end that the electronics have at least: a misfit may say none
WINDOWS = ((0.1, 1.0), (0.2, 1.0), (0.0, 0.9), (0.0, 0.8))  # cuts of the choice spread, as shares of the range


class Batch:
    """The arrays of one call; the block loop reads and fills them."""

    def __init__(self, sweeps: SweepSet, plan: BarrierPlan) -> None:
        self.sweeps, self.plan = sweeps, plan
        self.height = sweeps.axis
        self.u, self.span = engine.scaled_height(self.height)
        m, self.n = sweeps.current.shape
        self.rows = max(1, BLOCK_VALUES // self.n)
        keys = [
            pd.factorize(sweeps.table[name], use_na_sentinel=False)[0] for name in NOISE_GROUP if name in sweeps.table
        ]
        whole = keys[0] * (keys[1].max() + 1) * (keys[2].max() + 1) + keys[1] * (keys[2].max() + 1) + keys[2]
        self.group = np.unique(whole, return_inverse=True)[1]
        self.groups = int(self.group.max()) + 1
        self.noise = Noise(np.ones((self.groups, 3)), self.group)
        self.largest = np.zeros(m)
        self.usable, self.still = np.zeros((m, self.n), bool), np.zeros(m, bool)
        self.counts = {name: np.zeros(m, int) for name in ("saturated", "contact", "lagging")}
        self.lag, self.lag_se = np.full(m, np.nan), np.full(m, np.nan)  # length of the transient over the range
        self.lag_by_pairs, self.too_late = np.zeros(m, bool), np.zeros(m, bool)
        self.fits = engine.Exponential(np.zeros(m), np.ones(m), np.zeros(m), np.zeros(m, bool))
        self.information, self.chi2 = np.full(m, np.nan), np.full(m, np.nan)
        self.window_decay = np.full((m, len(WINDOWS) + 1), np.nan)
        self.log_decay, self.offset_se = np.full(m, np.nan), np.full(m, np.nan)
        self.shape: dict[str, Array] = {name: np.full(m, np.nan) for name in Shape.__dataclass_fields__}
        # float32 for what is only looked at: 7 digits of a standardised residual.
        self.fitted = np.empty((m, self.n))
        self.residual = np.empty((m, self.n), np.float32)
        u = self.u
        cuts = [(u >= lower) & (u <= upper) for lower, upper in ((0.0, 1.0), *WINDOWS)]
        self.windows = np.column_stack(cuts).astype(float)

    # --- block loops ---------------------------------------------------------------------------------------------

    def run(self) -> None:
        for first in range(0, len(self.sweeps), self.rows):
            self._mask(slice(first, first + self.rows))
        self.points = self.usable.sum(axis=1)
        self._find_noise()
        if self._find_lag():
            self._find_noise()  # what the lag spoiled looked like slow noise
        for first in range(0, len(self.sweeps), self.rows):
            self._finish(slice(first, first + self.rows))

    def _mask(self, rows: slice) -> None:
        current = self.sweeps.current[rows]
        table = self.sweeps.table.iloc[rows]
        finite = np.isfinite(current)
        full_scale = table["full_scale_A"].to_numpy(float)
        saturated = _saturated(current, full_scale)
        still = stuck(current, full_scale)
        saturated &= ~still[:, None]
        self.counts["saturated"][rows] = saturated.sum(axis=1)
        bias = np.abs(table["bias_V"].to_numpy(float))
        limit = self.plan.contact_conductance_G0 * CONDUCTANCE_QUANTUM * bias
        usable = finite & ~saturated & ~still[:, None]
        with np.errstate(invalid="ignore"):
            contact = usable & (np.abs(current) > np.where(bias > 0, limit, np.inf)[:, None])
        self.counts["contact"][rows] = contact.sum(axis=1)
        usable &= ~contact
        settling = self.plan.settling_points
        if settling:
            from_top = (table["direction"] == "approach").to_numpy(bool)
            usable[~from_top, :settling] = False
            usable[from_top, self.n - settling :] = False
        self.usable[rows], self.still[rows] = usable, still
        self.largest[rows] = np.max(np.abs(np.where(usable, current, 0.0)), axis=1)

    def _data(self, rows: Any) -> tuple[Array, Array]:
        usable = self.usable[rows]
        return np.where(usable, self.sweeps.current[rows], 0.0), usable.astype(float)

    def _fit(
        self, rows: Any, current: Array, usable: Array, first: engine.Exponential
    ) -> tuple[engine.Exponential, engine.Products, Array]:
        group = self.group[rows]
        return engine.fit(
            first, self.u, current, usable, lambda signal, part: Noise(self.noise.terms, group[part]).variance(signal)
        )

    def _start(self, rows: Any, current: Array, usable: Array) -> engine.Exponential:
        first = engine.start(self.u, current, usable)
        enough = self.points[rows] > PARAMETERS + 1
        return engine.Exponential(first.amplitude, first.decay, first.offset, first.good & enough)

    # --- noise ---------------------------------------------------------------------------------------------------

    def _find_noise(self) -> None:
        """Noise of each group from a sample of its sweeps: 300 sweeps tell it to a percent."""
        # Drawn, not every k-th: directions and sites follow each other at fixed steps. Always the same draw.
        enough = self.points > PARAMETERS + 1
        drawn = np.random.default_rng(0).permutation(np.flatnonzero(enough if enough.any() else ~enough))
        sample = np.sort(drawn[pd.Series(self.group[drawn]).groupby(self.group[drawn]).cumcount() < NOISE_SWEEPS])
        parts = [sample[first : first + self.rows] for first in range(0, len(sample), self.rows)]
        data = [(rows, *self._data(rows)) for rows in parts]
        fits = [self._start(*part) for part in data]
        self._first_noise(sample, data, fits)
        spread = np.full(len(sample), np.nan)
        for _ in range(NOISE_ROUNDS):
            counted = _counted(np.concatenate([fit.good for fit in fits]), spread, self.group[sample])
            total, place = None, 0
            for number, (rows, current, usable) in enumerate(data):
                fits[number], products, variance = self._fit(rows, current, usable, fits[number])
                here = slice(place, place + len(rows))
                place += len(rows)
                points = np.maximum(self.points[rows], 1)
                square = np.minimum(products.residual**2 / variance, CLIP)
                spread[here] = np.vecdot(usable, square) / points
                # Residuals are smaller than the noise by the three parameters fitted: n/(n - 3).
                lost = np.sqrt(points / np.maximum(points - PARAMETERS, 1))[:, None]
                use = usable * (counted[here] & fits[number].good)[:, None]
                sums = noise_sums(
                    products.residual * lost, products.signal, variance, use, self.group[rows], self.scale
                )
                total = sums if total is None else total + sums
            assert total is not None
            terms = solve_noise(total, self.scale, self.floor)
            good = counted & np.concatenate([fit.good for fit in fits])
            some = np.bincount(self.group[sample[good]], minlength=self.groups) > 0
            self.noise = Noise(np.where(some[:, None], terms, self.noise.terms), self.group)
        counted = _counted(np.concatenate([fit.good for fit in fits]), spread, self.group[sample])
        self._correlate(sample, data, fits, counted)
        self.terms = self.noise.terms[self.group]

    def _first_noise(
        self, sample: NDArray[np.int64], data: list[tuple[Any, Array, Array]], fits: list[engine.Exponential]
    ) -> None:
        """Uniform noise from the residuals of the unweighted start, with 2 % gap noise: only a start."""
        level, quiet = [], []
        for (_, current, usable), fit in zip(data, fits, strict=True):
            residual = np.abs(current - fit.signal(self.u) - fit.offset[:, None])
            residual[usable == 0] = np.nan
            level.append(1.4826 * _row_median(residual))
            quiet.append(_far_noise(current, usable))
        step = np.nan_to_num(find_step(self.sweeps.current[sample]))
        frame = pd.DataFrame({"level": np.concatenate(level), "largest": self.largest[sample], "step": step})
        frame["quiet"] = np.concatenate(quiet)
        good = np.concatenate([fit.good for fit in fits]) & np.isfinite(frame["level"].to_numpy())
        group, every = self.group[sample], range(self.groups)
        median = frame[good].groupby(group[good]).median().reindex(every)
        self.scale = median["largest"].fillna(1.0).to_numpy(float)
        self.step = frame["step"].groupby(group).median().reindex(every).to_numpy(float)
        quiet_floor = LEAST_SHARE * median["quiet"].fillna(0.0).to_numpy(float) ** 2
        self.floor = np.maximum.reduce([self.step**2 / 12, (1e-10 * self.scale) ** 2, quiet_floor])
        alpha = np.maximum(median["level"].fillna(0.0).to_numpy(float) ** 2, self.floor)
        terms = np.stack([alpha, np.zeros(self.groups), np.full(self.groups, 4e-4)], axis=1)
        self.noise = Noise(terms, self.group)

    def _correlate(
        self,
        sample: NDArray[np.int64],
        data: list[tuple[Any, Array, Array]],
        fits: list[engine.Exponential],
        counted: NDArray[np.bool_],
    ) -> None:
        """Slow noise of each group: the median correlation of its sweeps, where it is significant (else 0)."""
        found = []
        for (rows, current, usable), fit in zip(data, fits, strict=True):
            noise, signal = Noise(self.noise.terms, self.group[rows]), fit.signal(self.u)
            residual = current - signal - fit.offset[:, None]
            gap = noise.terms[noise.group, 2]
            found.append(slow_correlation(signal, residual, noise.variance(signal), usable, gap))
        each, spread = (np.concatenate(part, axis=1)[:, counted] for part in zip(*found, strict=True))
        group = self.group[sample[counted]]
        self.correlation, self.memory = (
            self._significant(c, s, group)[self.group] for c, s in zip(each, spread, strict=True)
        )

    def _significant(self, each: Array, spread: Array, group: NDArray[np.int64]) -> Array:
        """Median correlation of each group (g,), 0 where white noise may give it."""
        groups = pd.DataFrame({"each": each, "spread": spread}).groupby(group)
        median = groups["each"].median()
        # 1.25: a median scatters more than a mean (normal distribution).
        limit: Any = 3 * 1.25 * groups["spread"].median() / np.sqrt(groups.size())
        return median.where(median > limit, 0.0).reindex(range(self.groups)).fillna(0.0).to_numpy(float)

    # --- lag ------------------------------------------------------------------------------------------------------

    def _find_lag(self) -> bool:
        """Look for a lag at each ramp speed, and mask what it spoils; whether anything was masked."""
        before = self.points.sum()
        for ramp in ramps(self.sweeps.table, self.group):
            retract = self._logarithms(ramp.retract)
            lag = find_lag(self.u, retract, self._logarithms(ramp.approach) if ramp.approach.size else None)
            if lag is None or (lag.too_long and not lag.pairs):  # such a bend is as likely the barrier's
                continue
            self.lag[ramp.rows], self.lag_se[ramp.rows] = lag.length, lag.length_se
            self.lag_by_pairs[ramp.rows] = lag.pairs
            if lag.too_long:
                self.too_late[ramp.retracts] = True
            else:
                self.usable[ramp.retracts] &= ~lag.spoils(self.u, approach=False)
                self.usable[ramp.approaches] &= ~lag.spoils(self.u, approach=True)
        self.counts["lagging"] = self.points - self.usable.sum(axis=1)
        self.points = self.usable.sum(axis=1)
        return bool(self.points.sum() < before)

    def _logarithms(self, rows: NDArray[np.int64]) -> Logarithms:
        current, usable = self._data(rows)
        fit, products, variance = self._fit(rows, current, usable, self._start(rows, current, usable))
        floor = np.sqrt(self.noise.terms[self.group[rows], 0])
        return logarithms(products.signal, products.residual, variance, usable * fit.good[:, None], fit.decay, floor)

    # --- every sweep ---------------------------------------------------------------------------------------------

    def _finish(self, rows: slice) -> None:
        current, usable = self._data(rows)
        fit, products, variance = self._fit(rows, current, usable, self._start(rows, current, usable))
        self._own_noise(np.arange(len(self.sweeps))[rows], current, usable, fit, products, variance)
        for name in ("amplitude", "decay", "offset"):
            getattr(self.fits, name)[rows] = getattr(fit, name)
        matrix, right = products.normal(self.windows)
        step = engine.solve(matrix, right)
        inverse = np.where(fit.good[:, None, None], engine.inverse(matrix[:, 0]), 0.0)
        self.information[rows] = step.information[:, 0]
        freedom = np.maximum(self.points[rows] - PARAMETERS, 1)
        chi2 = np.vecdot(products.wr, products.residual) / freedom
        self.chi2[rows] = chi2
        self.offset_se[rows] = np.sqrt(np.maximum(inverse[:, 1, 1] * chi2, 0.0))
        good = fit.good & np.isfinite(chi2)
        self.fits.good[rows] = good
        terms = self.terms[rows]
        shape = examine(
            products, variance, usable, inverse=inverse, right=right[:, 0], decay=fit.decay, chi2=chi2,
            floor=np.sqrt(terms[:, 0]), gap=terms[:, 2], correlation=self.correlation[rows], other=self.memory[rows],
        )  # fmt: skip
        for name in self.shape:
            self.shape[name][rows] = getattr(shape, name)
        # One step from the fit to what another window, or equal weights, would say.
        equal = engine.Products(self.u, usable, products.signal, products.residual)
        other = engine.solve(*(sums[:, 0] for sums in equal.normal(self.windows[:, :1])))
        moved = np.column_stack([step.decay[:, 1:], other.decay])
        reach = 0.5 * np.abs(fit.decay)[:, None]
        self.window_decay[rows] = np.where(
            np.isfinite(moved), fit.decay[:, None] + np.clip(moved, -reach, reach), np.nan
        )
        self.log_decay[rows] = _log_fit(self.u, current, usable)
        np.add(products.signal, fit.offset[:, None], out=self.fitted[rows])
        np.divide(products.residual, np.sqrt(variance), out=self.residual[rows], casting="same_kind")
        self.residual[rows][~self.usable[rows]] = np.nan
        self.fitted[rows][~good] = np.nan
        self.residual[rows][~good] = np.nan

    def _own_noise(
        self,
        rows: NDArray[np.int64],
        current: Array,
        usable: Array,
        fit: engine.Exponential,
        products: engine.Products,
        variance: Array,
    ) -> None:
        """Give sweeps whose noise is clearly not that of their group noise terms of their own; changed in place.

        Noise is seen in the differences of neighbours, which jumps and misfits hardly touch. Where it is slow these
        say too little, and the group's terms stay.
        """
        both = usable[:, 1:] * usable[:, :-1]
        step = np.diff(products.residual, axis=1) / np.sqrt(2)
        share = both * (self.noise.terms[self.group[rows], 2, None] * products.signal[:, 1:] ** 2 / variance[:, 1:])
        excess = np.minimum(step**2 / variance[:, 1:], CLIP) / CLIP_MEAN - 1
        with np.errstate(divide="ignore", invalid="ignore"):
            # The variance of (Δe)²/2 is 2, and its neighbours share half a unit each: 3 in sums.
            unusual = [np.vecdot(part, excess) / np.sqrt(3 * np.vecdot(part, part)) for part in (share, both - share)]
        apart = np.fmax(*np.abs(unusual)) > UNUSUAL
        some = np.flatnonzero(
            apart & fit.good & (self.correlation[rows] + self.memory[rows] == 0) & (both.sum(axis=1) >= OWN_POINTS)
        )
        if not some.size:
            return
        scale, alone = self.scale[self.group[rows[some]]], np.arange(len(some))
        pooled = self.terms[rows[some]] / np.stack([scale**2, scale, np.ones_like(scale)], axis=1)
        part, mine = fit.rows(some), usable[some]
        for _ in range(OWN_ROUNDS):
            signal = part.signal(self.u)
            noise = Noise(self.terms[rows[some]], alone).variance(signal)
            residual = current[some] - signal
            step = np.diff(residual, axis=1) / np.sqrt(2)
            sums = noise_sums(step, signal[:, 1:], noise[:, 1:], both[some], alone, scale)
            # The group's terms count as much as PRIOR_POINTS samples, so that no term is left undetermined.
            weight = PRIOR_POINTS / both[some].sum(axis=1)
            matrix = sums.matrix * weight[:, None, None]
            prior = NoiseSums(matrix, np.einsum("mij,mj->mi", matrix, pooled))
            self.terms[rows[some]] = solve_noise(sums + prior, scale, self.floor[self.group[rows[some]]])
            part, better, noise = engine.fit(
                part, self.u, current[some], mine,
                lambda signal, k: Noise(self.terms[rows[some]][k], alone[: len(signal)]).variance(signal),
            )  # fmt: skip
        for name in ("amplitude", "decay", "offset", "good"):
            getattr(fit, name)[some] = getattr(part, name)
        products.put(some, better)
        variance[some] = noise


def _saturated(current: Array, full_scale: Array) -> NDArray[np.bool_]:
    """Mask of `find_saturation`, asked only about sweeps with three samples near their extreme or at the limit."""
    with np.errstate(invalid="ignore"):
        top, bottom = np.fmax.reduce(current, axis=1), np.fmin.reduce(current, axis=1)
        limit = np.where(full_scale > 0, 0.98 * full_scale, np.inf)
        suspect = ((current >= 0.98 * top[:, None]).sum(axis=1) >= 3) | (top >= limit) | (bottom <= -limit)
        suspect |= (bottom < -0.1 * top) & ((current <= 0.98 * bottom[:, None]).sum(axis=1) >= 3)
    mask = np.zeros(current.shape, bool)
    if suspect.any():
        mask[suspect] = find_saturation(current[suspect], full_scale=full_scale[suspect])
    return mask


def _counted(good: NDArray[np.bool_], spread: Array, group: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Sweeps that count for the noise of their group: those that scatter no more than three times the usual."""
    usual = pd.Series(np.where(good, spread, np.nan)).groupby(group).transform("median").to_numpy(float)
    with np.errstate(invalid="ignore"):
        return good & ~(spread > 3 * usual + 1e-300)


def _far_noise(current: Array, usable: Array) -> Array:
    """Standard deviation of the noise over the last fifth of the range, from second differences, shape (m,)."""
    last = slice(-max(5, current.shape[1] // 5), None)
    bend = np.abs(np.diff(np.where(usable > 0, current, np.nan)[:, last], 2, axis=1))
    return np.asarray(1.4826 * _row_median(bend) / np.sqrt(6))


def _row_median(values: Array) -> Array:
    """Median of each row, NaN ignored; rows without any number give NaN."""
    ordered = np.sort(values, axis=1)
    count = np.isfinite(ordered).sum(axis=1)
    middle = np.maximum(count - 1, 0) // 2
    median: Array = np.where(count > 0, ordered[np.arange(len(values)), middle], np.nan)
    return median


def _log_fit(u: Array, current: Array, usable: Array) -> Array:
    """Decay from an unweighted straight line through ln I of the positive samples, shape (m,)."""
    positive = usable * (current > 0)
    y = np.log(np.where(positive > 0, current, 1.0))
    n = positive.sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        mean_u = (positive @ u) / n
        mean_y = np.vecdot(positive, y) / n
        deviation = positive * (u - mean_u[:, None])
        slope = -np.vecdot(deviation, y - mean_y[:, None]) / np.vecdot(deviation, deviation)
    return np.where(n > 2, slope, np.nan)
