"""Apparent barrier heights from I(z): noise model, fit of I = A exp(-2κz) + offset, flags."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from sts.fitting import exponential as engine
from sts.fitting.height_modulation import fit_modulation
from sts.fitting.lag import Logarithms, find_lag, logarithms, ramps
from sts.fitting.noise import CLIP, CLIP_MEAN, Noise, NoiseSums, noise_sums, solve_noise
from sts.fitting.shape import Shape, examine, slow_correlation
from sts.flags import flag_rows, flags_of, join_flags
from sts.plan import BarrierPlan, Plan
from sts.processing.quality import find_saturation, find_step
from sts.quantities import CONDUCTANCE_QUANTUM, ELEMENTARY_CHARGE, barrier_from_decay
from sts.sweeps import COLUMNS, SweepSet

Array = NDArray[np.float64]

SWEEP_COLUMNS = (
    "sweep", "sample", "tip", "site", "direction", "repeat", "barrier_eV", "barrier_se_eV", "barrier_low_eV",
    "barrier_high_eV", "decay_per_nm", "decades", "offset_pA", "noise_pA", "points", "from_nm", "to_nm",
    "reduced_chi2", "barrier_log_eV", "flags", "used",
)  # fmt: skip

BLOCK_VALUES = 1 << 16  # samples worked on at a time: a few arrays of them stay in the processor's cache
NOISE_ROUNDS = 4
NOISE_SWEEPS = 300  # of a group that its noise is found from
NOISE_GROUP = ("sample", "tip", "full_scale_A")  # sweeps that share their noise
UNUSUAL = 3.0  # standard deviations by which a sweep's noise must differ from its group's to be taken as its own
OWN_POINTS, PRIOR_POINTS, OWN_ROUNDS = 20, 15.0, 2
PARAMETERS = 3
WINDOWS = ((0.1, 1.0), (0.2, 1.0), (0.0, 0.9), (0.0, 0.8))  # cuts of the choice spread, as shares of the range


@dataclass(frozen=True, eq=False)
class BarrierFit:
    """Fits of I = A exp(-2κz) + offset to the m sweeps of one set."""

    height: Array  # (n,) [m], calibrated
    current: Array  # (m, n) as measured [A]
    fitted: Array  # (m, n) the fitted curve [A]; NaN where the fit failed
    residual: NDArray[np.floating]  # (m, n) (measured - fitted)/standard deviation of the noise model; NaN where masked
    used_points: NDArray[np.bool_]  # (m, n) samples that entered the fit
    offset: Array  # (m,) fitted offset [A]
    table: pd.DataFrame  # SWEEP_COLUMNS, then columns beyond the contract
    flags: pd.DataFrame  # rows (sweep, flag, detail)
    noise: pd.DataFrame  # one row a tip: electronics_pA, shot_bandwidth_Hz, gap_percent

    @property
    def signal(self) -> Array:
        """The fitted tunnelling current without its offset [A], shape (m, n)."""
        return self.fitted - self.offset[:, None]

    @property
    def deviation(self) -> Array:
        """Standard deviation of the noise model at the fitted curve [A], shape (m, n)."""
        table = self.table
        terms = np.column_stack(
            [
                (table["noise_pA"] * 1e-12) ** 2,
                table["shot_bandwidth_Hz"] * 2 * ELEMENTARY_CHARGE,
                (table["gap_percent"] / 100) ** 2,
            ]
        )
        return np.sqrt(Noise(terms, np.arange(len(table))).variance(self.signal))


def fit_barrier(
    sweeps: SweepSet,
    plan: Plan | None = None,
    *,
    omit: Collection[str] = (),
    keep: Collection[str] = (),
    height_factor: float = 1.0,
    confidence: float | None = None,
) -> BarrierFit:
    """Fit the apparent barrier height of every sweep of a set.

    Parameters
    ----------
    sweeps : SweepSet
        Of kind ``"iz"``: m sweeps on n heights.
    plan : Plan, optional
        Sections `barrier` and `check` are used.
    omit, keep : collection of str
        Sweeps that a person decided about; that wins over the flags.
    height_factor : float
        True height = factor × nominal height.

    Returns
    -------
    BarrierFit
        A sweep that cannot be fitted has NaN and a flag; the others go on.

    Raises
    ------
    ValueError
        If the set is not of kind ``"iz"``.

    Notes
    -----
    φ = (ħ²/8m)(d ln I/dz)², with the decay from a fit weighted by σ² = σ0² + 2eB|S| + (ηS)² (`sts.fitting.noise`; S
    is the fitted tunnelling current). The noise terms are pooled over the sweeps of one tip with the same full scale;
    each sweep's own scatter about its fit scales its interval (t with n - 3 degrees of freedom), and slow noise of the
    group widens it (`sts.fitting.shape`). A plain log fit stands beside: over
    three decades at 1 % noise it reads 25 % low.
    """
    if sweeps.kind != "iz":
        raise ValueError("fit_barrier needs I(z) sweeps (kind 'iz'); these are I(V) sweeps. Use average_spectrum.")
    settings = plan or Plan()
    work = _Work(sweeps, settings.barrier, height_factor)
    work.run()
    level = confidence or settings.compare.confidence
    return work.result(settings, omit=set(omit), keep=set(keep), confidence=level)


class _Work:
    """The arrays of one call; the block loop reads and fills them."""

    def __init__(self, sweeps: SweepSet, plan: BarrierPlan, height_factor: float) -> None:
        self.sweeps, self.plan = sweeps, plan
        self.height = sweeps.axis * height_factor
        self.u, self.span = engine.scaled_height(self.height)
        m, self.n = sweeps.current.shape
        self.rows = max(1, BLOCK_VALUES // self.n)
        keys = [pd.factorize(sweeps.table[name], use_na_sentinel=False)[0] for name in NOISE_GROUP]
        whole = keys[0] * (keys[1].max() + 1) * (keys[2].max() + 1) + keys[1] * (keys[2].max() + 1) + keys[2]
        self.group = np.unique(whole, return_inverse=True)[1]
        self.groups = int(self.group.max()) + 1
        self.noise = Noise(np.ones((self.groups, 3)), self.group)
        self.largest = np.zeros(m)
        self.usable = np.zeros((m, self.n), bool)
        self.counts = {name: np.zeros(m, int) for name in ("saturated", "contact", "missing", "lagging")}
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
        self.counts["missing"][rows] = (~finite).sum(axis=1)
        saturated = _saturated(current, table["full_scale_A"].to_numpy(float))
        self.counts["saturated"][rows] = saturated.sum(axis=1)
        bias = np.abs(table["bias_V"].to_numpy(float))
        limit = self.plan.contact_conductance_G0 * CONDUCTANCE_QUANTUM * bias
        usable = finite & ~saturated
        with np.errstate(invalid="ignore"):
            contact = usable & (np.abs(current) > np.where(bias > 0, limit, np.inf)[:, None])
        self.counts["contact"][rows] = contact.sum(axis=1)
        usable &= ~contact
        settling = self.plan.settling_points
        if settling:
            from_top = (table["direction"] == "approach").to_numpy(bool)
            usable[~from_top, :settling] = False
            usable[from_top, self.n - settling :] = False
        self.usable[rows] = usable
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
        series = pd.Series(self.group)
        ways = np.ceil(series.groupby(series).transform("size") / NOISE_SWEEPS)
        sample = np.flatnonzero(series.groupby(series).cumcount() % ways == 0)
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
        level = []
        for (_, current, usable), fit in zip(data, fits, strict=True):
            residual = np.abs(current - fit.signal(self.u) - fit.offset[:, None])
            residual[usable == 0] = np.nan
            level.append(1.4826 * _row_median(residual))
        step = np.nan_to_num(find_step(self.sweeps.current[sample]))
        frame = pd.DataFrame({"level": np.concatenate(level), "largest": self.largest[sample], "step": step})
        good = np.concatenate([fit.good for fit in fits]) & np.isfinite(frame["level"].to_numpy())
        group, every = self.group[sample], range(self.groups)
        median = frame[good].groupby(group[good]).median().reindex(every)
        self.scale = median["largest"].fillna(1.0).to_numpy(float)
        self.step = frame["step"].groupby(group).median().reindex(every).to_numpy(float)
        self.floor = np.maximum(self.step**2 / 12, (1e-10 * self.scale) ** 2)
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
        each, spread = (np.concatenate(part) for part in zip(*found, strict=True))
        frame = pd.DataFrame({"each": each, "spread": spread})[counted]
        groups = frame.groupby(self.group[sample[counted]])
        median = groups["each"].median()
        # 1.25: a median scatters more than a mean (normal distribution).
        limit: Any = 3 * 1.25 * groups["spread"].median() / np.sqrt(groups.size())
        slow = median.where(median > limit, 0.0).reindex(range(self.groups)).fillna(0.0)
        self.correlation = slow.to_numpy(float)[self.group]

    # --- lag ------------------------------------------------------------------------------------------------------

    def _find_lag(self) -> bool:
        """Look for a lag at each ramp speed, and mask what it spoils; whether anything was masked."""
        before = self.points.sum()
        for ramp in ramps(self.sweeps.table, self.group):
            retract = self._logarithms(ramp.retract)
            lag = find_lag(self.u, retract, self._logarithms(ramp.approach) if ramp.approach.size else None)
            if lag is None or (lag.too_long and not lag.pairs):  # such a bend is as likely the barrier's
                continue
            self.lag[ramp.rows], self.lag_se[ramp.rows], self.lag_by_pairs[ramp.rows] = (
                lag.length,
                lag.length_se,
                lag.pairs,
            )
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
        inverse = engine.inverse(matrix[:, 0])
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
            floor=np.sqrt(terms[:, 0]), gap=terms[:, 2], correlation=self.correlation[rows],
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
        some = np.flatnonzero(apart & fit.good & (self.correlation[rows] == 0) & (both.sum(axis=1) >= OWN_POINTS))
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

    # --- results -------------------------------------------------------------------------------------------------

    def result(self, plan: Plan, *, omit: set[str], keep: set[str], confidence: float) -> BarrierFit:
        good = self.fits.good
        decay = np.where(good, self.fits.decay / self.span, np.nan)  # [1/m]
        freedom = np.maximum(self.points - PARAMETERS, 1)
        with np.errstate(invalid="ignore", divide="ignore"):
            se = np.sqrt(self.chi2 * self.shape["inflation"] / self.information) / self.span
        se = np.where(good, se, np.nan)
        different, which = np.unique(freedom, return_inverse=True)
        reach = np.asarray(stats.t.ppf(0.5 + confidence / 2, different))[which] * se
        electronics = np.sqrt(self.terms[:, 0])
        table = self._table(decay, se, reach, electronics, good)
        flags = self._flags(table, good, plan)
        names = self.sweeps.names
        place = list(table.columns).index("barrier_log_eV") + 1
        table.insert(place, "flags", flags_of(names, flags))
        left_out = set(flags.loc[flags["flag"].isin(plan.check.omit), "sweep"])
        used = np.array([(n in keep) or (n not in omit and n not in left_out) for n in names], bool) & good
        table.insert(place + 1, "used", used)
        return BarrierFit(
            height=self.height,
            current=self.sweeps.current,
            fitted=self.fitted,
            residual=self.residual,
            used_points=self.usable,
            offset=np.where(good, self.fits.offset, np.nan),
            table=table,
            flags=flags,
            noise=self._noise_table(),
        )

    def _table(
        self, decay: Array, se: Array, reach: Array, electronics: Array, good: NDArray[np.bool_]
    ) -> pd.DataFrame:
        first = np.argmax(self.usable, axis=1)
        last = self.n - 1 - np.argmax(self.usable[:, ::-1], axis=1)
        fit = self.fits
        with np.errstate(all="ignore"):
            top = np.abs(fit.amplitude) * np.exp(-fit.decay * self.u[first])
            bottom = np.maximum(np.abs(fit.amplitude) * np.exp(-fit.decay * self.u[last]), electronics)
            decades = np.log10(np.maximum(top / bottom, 1.0))
        low = barrier_from_decay(np.maximum(np.abs(decay) - reach, 0.0))
        log_decay = self.log_decay / self.span
        windows = barrier_from_decay(np.concatenate([self.window_decay / self.span, decay[:, None]], axis=1))
        with np.errstate(all="ignore"):
            spread = (np.fmax.reduce(windows, axis=1) - np.fmin.reduce(windows, axis=1)) / 2
        identity = self.sweeps.table[["sweep", "sample", "tip", "site", "direction", "repeat"]]
        values: dict[str, Any] = {
            "barrier_eV": barrier_from_decay(decay),
            "barrier_se_eV": barrier_from_decay(1.0) * 2 * np.abs(decay) * se,
            "barrier_low_eV": low,
            "barrier_high_eV": barrier_from_decay(np.abs(decay) + reach),
            "decay_per_nm": decay * 1e-9,
            "decades": np.where(good, decades, np.nan),
            "offset_pA": np.where(good, fit.offset * 1e12, np.nan),
            "noise_pA": electronics * 1e12,
            "points": self.points,
            "from_nm": np.where(self.points > 0, self.height[first] * 1e9, np.nan),
            "to_nm": np.where(self.points > 0, self.height[last] * 1e9, np.nan),
            "reduced_chi2": np.where(good, self.chi2, np.nan),
            "barrier_log_eV": barrier_from_decay(log_decay),
            "decay_se_per_nm": se * 1e-9,
            "dof": np.maximum(self.points - PARAMETERS, 1),
            "choice_spread_eV": np.where(good, spread, np.nan),
            "slow_correlation": self.correlation,
            "offset_se_pA": np.where(good, self.offset_se * 1e12, np.nan),
            "shot_bandwidth_Hz": self.terms[:, 1] / (2 * ELEMENTARY_CHARGE),
            "gap_percent": np.sqrt(self.terms[:, 2]) * 100,
            "amplitude_pA": np.where(good, fit.amplitude * 1e12, np.nan),
            **self._modulated(),
            "lag_nm": self.lag * self.span * 1e9,
            "lag_ms": self.lag * self.sweeps.table["duration_s"].to_numpy(float) * 1e3,
            "lag_se_ms": self.lag_se * self.sweeps.table["duration_s"].to_numpy(float) * 1e3,
            "duration_s": self.sweeps.table["duration_s"].to_numpy(float),
            "range_nm": np.full(len(decay), self.span * 1e9),
        }
        own = [c for c in self.sweeps.table.columns if c not in COLUMNS]
        return pd.concat([identity, pd.DataFrame(values), self.sweeps.table[own]], axis=1)

    def _modulated(self) -> dict[str, Array]:
        """Barriers from the lock-in channel, where it is dI/dz or the amplitude of the height is known."""
        lockin, amplitude = self.sweeps.lockin, self.plan.height_modulation_pm
        decay = error = np.full(len(self.sweeps), np.nan)
        if lockin is not None and (self.sweeps.lockin_unit == "A/m" or (self.sweeps.lockin_unit == "A" and amplitude)):
            signal = self.fitted - self.fits.offset[:, None]
            weight = np.where(
                self.usable & np.isfinite(signal), 1 / Noise(self.terms, np.arange(len(signal))).variance(signal), 0.0
            )
            known = amplitude * 1e-12 if self.sweeps.lockin_unit == "A" else np.nan
            decay, error = fit_modulation(lockin, self.sweeps.current, signal, weight, modulation_height_rms_m=known)
        return {
            "barrier_modulation_eV": barrier_from_decay(decay),
            "barrier_modulation_se_eV": barrier_from_decay(1.0) * 2 * decay * error,
        }

    def _noise_table(self) -> pd.DataFrame:
        first = self.sweeps.table.iloc[np.unique(self.group, return_index=True)[1]]
        terms = self.noise.terms
        return pd.DataFrame(
            {
                "sample": first["sample"].to_numpy(),
                "tip": first["tip"].to_numpy(),
                "electronics_pA": np.sqrt(terms[:, 0]) * 1e12,
                "shot_bandwidth_Hz": terms[:, 1] / (2 * ELEMENTARY_CHARGE),
                "gap_percent": np.sqrt(terms[:, 2]) * 100,
            }
        )

    def _flags(self, table: pd.DataFrame, good: NDArray[np.bool_], plan: Plan) -> pd.DataFrame:
        names, s = self.sweeps.names, self.shape
        z_nm = self.height * 1e9

        def at(place: Array) -> Array:
            return np.asarray(z_nm[0] + place * self.span * 1e9)

        barrier = table["barrier_eV"].to_numpy(float)
        decades = table["decades"].to_numpy(float)
        saturated, contact = self.counts["saturated"], self.counts["contact"]
        bias = np.abs(self.sweeps.table["bias_V"].to_numpy(float))
        step = self.step[self.group]
        rows = []

        def say(mask: Any, flag: str, text: str, *values: Any) -> None:
            where = np.flatnonzero(mask)
            parts = zip(*(np.asarray(v)[where] for v in values), strict=True) if values else [()] * len(where)
            details = [text.format(*part) for part in parts]
            rows.append(flag_rows([names[i] for i in where], np.ones(len(where), bool), flag, details))

        none = self.points == 0
        few = ~none & (self.points <= PARAMETERS + 1)
        limit = plan.barrier.contact_conductance_G0
        say(saturated > 0, "saturated", f"{{}} of {self.n} samples at the limit, masked", saturated)
        say(none & (saturated > 0), "all saturated", "every sample is at the limit or masked")
        say(none & (saturated == 0), "too few points", "no finite sample")
        say(few, "too few points", f"{{}} usable samples, at least {PARAMETERS + 2} are needed", self.points)
        say(contact > 0, "contact", f"{{}} samples above {limit:g} G0, masked", contact)
        say(~good & ~none & ~few, "fit failed", "no exponential describes this sweep")
        with np.errstate(invalid="ignore"):
            coarse = step > 2 * np.sqrt(np.maximum(self.terms[:, 0] - step**2 / 12, 1e-300))
            first, last = self.fitted[:, 0], self.fitted[:, -1]
            negative = good & (np.maximum(first, last) <= 3 * np.sqrt(self.terms[:, 0])) & (self.fits.amplitude < 0)
            growing = good & (np.abs(last) > np.abs(first)) & (self.fits.amplitude * self.fits.decay * first < 0)
            growing |= good & ~negative & (self.fits.amplitude * self.fits.decay < 0)
            falling = good & ~growing
            jumped = good & (s["jump_factor"] != 1)
            hinge = np.abs(s["hinge_t"])
            ratio = s["slope_after"] / s["slope_before"]
            small = np.minimum(np.abs(s["slope_after"]), np.abs(s["slope_before"]))
            large = np.maximum(np.abs(s["slope_after"]), np.abs(s["slope_before"]))
            clear = falling & ~jumped & (decades >= 0.5)
            curved = clear & (np.abs(s["curvature_t"]) > 5) & (np.abs(s["curvature"]) > plan.barrier.curvature)
            broken = clear & (hinge > 5) & (np.abs(np.log(np.abs(ratio))) > np.log1p(plan.barrier.curvature))
            plateau = broken & (small < 0.25 * large)
            two = broken & ~plateau & (hinge > 1.2 * np.abs(s["curvature_t"]))
            curved &= ~plateau & ~two
            short = falling & (decades < 1)
            low = falling & (table["barrier_high_eV"].to_numpy(float) < plan.barrier.low_eV)
            low |= falling & (barrier < plan.barrier.low_eV) & ~short
            high = falling & (barrier > plan.barrier.high_eV)
            slow = good & (s["inflation"] > 1.5)
            high_bias = bias > plan.barrier.high_bias_V
        say(coarse & good, "coarse steps", "converter step {:.3g} pA, larger than the noise", step * 1e12)
        say(growing, "wrong sign", "the current grows with height: height or direction is reversed in the file")
        say(negative, "negative current", "the current is negative throughout; its size was fitted")
        say(jumped, "jump", "current × {:.2f} at {:.3f} nm", s["jump_factor"], at(s["jump_at"]))
        slopes = [s[name] / (self.span * 1e9) for name in ("slope_before", "slope_after")]
        place = at(s["hinge_at"])
        detail = "ln I falls by {0:.1f}/nm below {2:.3f} nm and {1:.1f}/nm above"
        say(plateau, "plateau", detail, *slopes, place)
        say(two, "two slopes", detail, *slopes, place)
        bend = 100 * s["curvature"]
        say(curved, "curved", "the slope of ln I changes by {:+.0f} % over the visible range", bend)
        say(short, "few decades", "{:.2f} decades above the noise; at least 1 is needed", decades)
        say(low, "low barrier", "{:.2f} eV: not a work function: contaminated or compliant gap", barrier)
        say(high, "high barrier", "{:.2f} eV: check the height scale", barrier)
        say(high_bias, "high bias", "{:.2f} V lowers the barrier by about half of it", bias)
        say(slow, "slow noise", "interval widened × {:.1f}", np.sqrt(s["inflation"]))
        late = np.isfinite(self.lag) & (self.sweeps.table["direction"] == "retract").to_numpy(bool)
        how = self._late(late)
        say(late & self.too_late, "too much lag", "its start is {}", how)
        say(late & ~self.too_late, "lag", "its start is {}; {} samples masked", how, self.counts["lagging"])
        say(self._mixed_bias(), "mixed biases", "the sweeps of this site were taken at different biases")
        return join_flags(rows)

    def _late(self, late: NDArray[np.bool_]) -> NDArray[np.object_]:
        """The lag of the sweeps that are late, in words."""
        texts = np.full(len(late), "", object)
        duration = self.sweeps.table["duration_s"].to_numpy(float)
        for row in np.flatnonzero(late):
            ms, se = (1e3 * duration[row] * value for value in (self.lag[row], self.lag_se[row]))
            time = f" ({ms:.3g} ± {se:.1g} ms)" if np.isfinite(ms) else ""
            doubt = "" if self.lag_by_pairs[row] else "; one direction only: a barrier that bends there looks the same"
            length = self.lag[row] * self.span * 1e9
            texts[row] = f"flattened over {length:.2g} nm as by an amplifier that lags{time}{doubt}"
        return texts

    def _mixed_bias(self) -> NDArray[np.bool_]:
        table = self.sweeps.table
        sites = table.groupby(["sample", "tip", "site"], sort=False)["bias_V"]
        return np.asarray((sites.transform("max") - sites.transform("min")) > 1e-3, bool)


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
