"""Apparent barrier heights from I(z): noise model, fit of I = A exp(-2κz) + offset, flags."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from sts.fitting import exponential as engine
from sts.fitting.noise import CLIP, Noise, noise_sums, solve_noise
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

BLOCK_VALUES = 1 << 17  # samples worked on at a time: 1 MB of float64, which stays in the processor's cache
NOISE_ROUNDS = 4
PARAMETERS = 3
WINDOWS = ((0.1, 1.0), (0.2, 1.0), (0.0, 0.9), (0.0, 0.8))  # cuts of the choice spread, as shares of the range


@dataclass(frozen=True, eq=False)
class BarrierFit:
    """Fits of I = A exp(-2κz) + offset to the m sweeps of one set."""

    height: Array  # (n,) [m], calibrated
    current: Array  # (m, n) as measured [A]
    fitted: Array  # (m, n) the fitted curve [A]; NaN where the fit failed
    residual: Array  # (m, n) (measured - fitted)/standard deviation of the noise model; NaN where masked
    used_points: NDArray[np.bool_]  # (m, n) samples that entered the fit
    offset: Array  # (m,) fitted offset [A]
    table: pd.DataFrame  # SWEEP_COLUMNS, then columns beyond the contract
    flags: pd.DataFrame  # rows (sweep, flag, detail)
    noise: pd.DataFrame  # one row a tip: electronics_pA, shot_bandwidth_Hz, gap_percent


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
        table = sweeps.table
        names = [f"{a}\0{b}\0{c}" for a, b, c in zip(table["sample"], table["tip"], table["full_scale_A"], strict=True)]
        self.group, self.group_names = pd.factorize(np.asarray(names, object))
        self.largest = np.zeros(m)
        self.step = np.zeros(m)
        self.usable = np.zeros((m, self.n), bool)
        self.counts = {name: np.zeros(m, int) for name in ("saturated", "contact", "missing")}
        self.fits = engine.Exponential(np.zeros(m), np.ones(m), np.zeros(m), np.zeros(m, bool))
        self.information, self.chi2 = np.full(m, np.nan), np.full(m, np.nan)
        self.window_decay = np.full((m, len(WINDOWS) + 1), np.nan)
        self.log_decay = np.full(m, np.nan)
        self.shape: dict[str, Array] = {name: np.full(m, np.nan) for name in Shape.__dataclass_fields__}

    # --- block loop ----------------------------------------------------------------------------------------------

    def blocks(self) -> Iterator[slice]:
        for first in range(0, len(self.sweeps), self.rows):
            yield slice(first, first + self.rows)

    def run(self) -> None:
        for rows in self.blocks():
            self._mask(rows)
        self.points = self.usable.sum(axis=1)
        enough = self.points > PARAMETERS + 1
        for rows in self.blocks():
            current, usable = self._data(rows)
            self._store(rows, engine.start(self.u, current, usable.astype(bool)))
        self.fits = _with(self.fits, good=self.fits.good & enough)
        self._first_noise()
        for _ in range(NOISE_ROUNDS):
            self._round()
        self._correlate()
        for rows in self.blocks():
            self._finish(rows)

    def _mask(self, rows: slice) -> None:
        current = self.sweeps.current[rows]
        table = self.sweeps.table.iloc[rows]
        finite = np.isfinite(current)
        self.counts["missing"][rows] = (~finite).sum(axis=1)
        saturated = find_saturation(current, full_scale=table["full_scale_A"].to_numpy(float))
        self.counts["saturated"][rows] = saturated.sum(axis=1)
        bias = np.abs(table["bias_V"].to_numpy(float))
        limit = self.plan.contact_conductance_G0 * CONDUCTANCE_QUANTUM * bias
        with np.errstate(invalid="ignore"):
            contact = finite & ~saturated & (np.abs(current) > np.where(bias > 0, limit, np.inf)[:, None])
        self.counts["contact"][rows] = contact.sum(axis=1)
        usable = finite & ~saturated & ~contact
        settling = self.plan.settling_points
        if settling:
            from_top = (table["direction"] == "approach").to_numpy(bool)
            usable[~from_top, :settling] = False
            usable[from_top, self.n - settling :] = False
        self.usable[rows] = usable
        with np.errstate(invalid="ignore"):
            self.largest[rows] = np.max(np.abs(np.where(usable, current, 0.0)), axis=1)
        self.step[rows] = np.nan_to_num(find_step(current))

    def _data(self, rows: slice) -> tuple[Array, Array]:
        usable = self.usable[rows]
        return np.where(usable, self.sweeps.current[rows], 0.0), usable.astype(float)

    def _part(self, rows: slice) -> engine.Exponential:
        f = self.fits
        return engine.Exponential(f.amplitude[rows], f.decay[rows], f.offset[rows], f.good[rows])

    def _store(self, rows: slice, fit: engine.Exponential) -> None:
        for name in ("amplitude", "decay", "offset", "good"):
            getattr(self.fits, name)[rows] = getattr(fit, name)

    def _first_noise(self) -> None:
        """Uniform noise from the residuals of the unweighted start, with 2 % gap noise: only a start."""
        m = len(self.sweeps)
        level = np.zeros(m)
        for rows in self.blocks():
            current, usable = self._data(rows)
            fit = self._part(rows)
            residual = np.abs(current - fit.signal(self.u) - fit.offset[:, None])
            residual[usable == 0] = np.nan
            with np.errstate(all="ignore"):
                level[rows] = 1.4826 * _row_median(residual)
        groups = len(self.group_names)
        good = self.fits.good & np.isfinite(level)
        frame = pd.DataFrame({"group": self.group[good], "level": level[good], "largest": self.largest[good]})
        median = frame.groupby("group").median().reindex(range(groups))
        self.scale = median["largest"].fillna(1.0).to_numpy(float)
        step = pd.Series(self.step).groupby(self.group).median().reindex(range(groups)).fillna(0.0).to_numpy(float)
        self.floor = np.maximum(step**2 / 12, (1e-10 * self.scale) ** 2)
        alpha = np.maximum(median["level"].fillna(0.0).to_numpy(float) ** 2, self.floor)
        terms = np.stack([alpha, np.zeros(groups), np.full(groups, 4e-4)], axis=1)
        self.noise = Noise(terms, self.group)

    def _round(self) -> None:
        """One improvement of every fit with the present noise, then of the noise with the fits."""
        groups = len(self.group_names)
        spread = np.full(len(self.sweeps), np.nan)
        total = None
        counted = self._counted()
        for rows in self.blocks():
            current, usable = self._data(rows)
            fit = self._part(rows)
            noise = Noise(self.noise.terms, self.group[rows])
            weight = usable / noise.variance(fit.signal(self.u))
            fit, _ = engine.improve(fit, self.u, current, weight, steps=2)
            self._store(rows, fit)
            signal = fit.signal(self.u)
            residual = current - signal - fit.offset[:, None]
            variance = noise.variance(signal)
            spread[rows] = np.vecdot(usable, np.minimum(residual**2 / variance, CLIP)) / np.maximum(
                self.points[rows], 1
            )
            # Residuals are smaller than the noise by the three parameters fitted: n/(n - 3).
            lost = np.sqrt(self.points[rows] / np.maximum(self.points[rows] - PARAMETERS, 1))[:, None]
            use = usable * (counted[rows] & fit.good)[:, None]
            part = noise_sums(residual * lost, signal, variance, use, self.group[rows], self.scale)
            total = part if total is None else total + part
        self.spread = spread
        assert total is not None
        terms = solve_noise(total, self.scale, self.floor)
        some = np.bincount(self.group[counted & self.fits.good], minlength=groups) > 0
        self.noise = Noise(np.where(some[:, None], terms, self.noise.terms), self.group)

    def _counted(self) -> NDArray[np.bool_]:
        """Sweeps that count for the noise of their group: those that scatter no more than three times the usual."""
        if not hasattr(self, "spread"):
            return self.fits.good.copy()
        frame = pd.Series(np.where(self.fits.good, self.spread, np.nan))
        usual = frame.groupby(self.group).transform("median").to_numpy(float)
        with np.errstate(invalid="ignore"):
            return self.fits.good & (self.spread <= 3 * usual + 1e-300)

    def _correlate(self) -> None:
        """Slow noise of each group: the median correlation of its sweeps, where it is significant (else 0)."""
        m = len(self.sweeps)
        each, spread = np.zeros(m), np.full(m, np.inf)
        for rows in self.blocks():
            current, usable = self._data(rows)
            fit, noise = self._part(rows), Noise(self.noise.terms, self.group[rows])
            signal = fit.signal(self.u)
            residual = current - signal - fit.offset[:, None]
            gap = noise.terms[noise.group, 2]
            each[rows], spread[rows] = slow_correlation(signal, residual, noise.variance(signal), usable, gap)
        frame = pd.DataFrame({"each": each, "spread": spread})[self._counted()]
        groups = frame.groupby(self.group[self._counted()])
        median = groups["each"].median()
        # 1.25: a median scatters more than a mean (normal distribution).
        limit: Any = 3 * 1.25 * groups["spread"].median() / np.sqrt(groups.size())
        found = median.where(median > limit, 0.0).reindex(range(len(self.group_names))).fillna(0.0)
        self.correlation = found.to_numpy(float)[self.group]

    def _finish(self, rows: slice) -> None:
        current, usable = self._data(rows)
        noise = Noise(self.noise.terms, self.group[rows])
        fit = self._part(rows)
        weight = usable / noise.variance(fit.signal(self.u))
        fit, basis = engine.improve(fit, self.u, current, weight, steps=2)
        self._store(rows, fit)
        self.information[rows] = basis.information
        signal = fit.signal(self.u)
        variance = noise.variance(signal)
        residual = current - signal - fit.offset[:, None]
        freedom = np.maximum(self.points[rows] - PARAMETERS, 1)
        self.chi2[rows] = np.vecdot(usable / variance, residual**2) / freedom
        floor = np.sqrt(noise.terms[noise.group, 0])
        shape = examine(
            self.u, signal, residual, variance, usable, decay=fit.decay, chi2=self.chi2[rows], floor=floor,
            gap=noise.terms[noise.group, 2], correlation=self.correlation[rows],
        )  # fmt: skip
        for name in self.shape:
            self.shape[name][rows] = getattr(shape, name)
        weight = usable / variance
        for column, (lower, upper) in enumerate(WINDOWS):
            inside = (self.u >= lower) & (self.u <= upper)
            moved, _ = engine.improve(fit, self.u, current, weight * inside, steps=1)
            self.window_decay[rows, column] = np.where(moved.good, moved.decay, np.nan)
        moved, _ = engine.improve(fit, self.u, current, usable, steps=2)
        self.window_decay[rows, -1] = np.where(moved.good, moved.decay, np.nan)
        self.log_decay[rows] = _log_fit(self.u, current, usable)

    # --- results -------------------------------------------------------------------------------------------------

    def result(self, plan: Plan, *, omit: set[str], keep: set[str], confidence: float) -> BarrierFit:
        good = self.fits.good & np.isfinite(self.chi2) & (self.information > 0)
        decay = np.where(good, self.fits.decay / self.span, np.nan)  # [1/m]
        freedom = np.maximum(self.points - PARAMETERS, 1)
        with np.errstate(invalid="ignore", divide="ignore"):
            se = np.sqrt(self.chi2 * self.shape["inflation"] / self.information) / self.span
        se = np.where(good, se, np.nan)
        reach = stats.t.ppf(0.5 + confidence / 2, freedom) * se
        fitted = np.empty_like(self.sweeps.current)
        standard = np.empty_like(fitted)
        for rows in self.blocks():
            fit = self._part(rows)
            signal = fit.signal(self.u)
            deviation = np.sqrt(Noise(self.noise.terms, self.group[rows]).variance(signal))
            curve = signal + fit.offset[:, None]
            fitted[rows] = np.where(good[rows, None], curve, np.nan)
            with np.errstate(invalid="ignore"):
                ok = self.usable[rows] & good[rows, None]
                standard[rows] = np.where(ok, (self.sweeps.current[rows] - curve) / deviation, np.nan)
        electronics = np.sqrt(self.noise.terms[self.group, 0])
        table = self._table(decay, se, reach, electronics, good)
        flags = self._flags(table, good, plan)
        names = self.sweeps.names
        place = list(table.columns).index("barrier_log_eV") + 1
        table.insert(place, "flags", flags_of(names, flags))
        left_out = {s for s, f in zip(flags["sweep"], flags["flag"], strict=True) if f in set(plan.check.omit)}
        used = np.array([(n in keep) or (n not in omit and n not in left_out) for n in names], bool) & good
        table.insert(place + 1, "used", used)
        return BarrierFit(
            height=self.height,
            current=self.sweeps.current,
            fitted=fitted,
            residual=standard,
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
            "amplitude_pA": np.where(good, fit.amplitude * 1e12, np.nan),
            "duration_s": self.sweeps.table["duration_s"].to_numpy(float),
            "range_nm": np.full(len(decay), self.span * 1e9),
        }
        own = [c for c in self.sweeps.table.columns if c not in COLUMNS]
        return pd.concat([identity, pd.DataFrame(values), self.sweeps.table[own]], axis=1)

    def _noise_table(self) -> pd.DataFrame:
        parts = [str(name).split("\0") for name in self.group_names]
        terms = self.noise.terms
        return pd.DataFrame(
            {
                "sample": [p[0] for p in parts],
                "tip": [p[1] for p in parts],
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
        step_pA = self.step * 1e12
        rows = []

        def say(mask: Any, flag: str, details: list[str] | str) -> None:
            rows.append(flag_rows(names, mask, flag, details))

        none = self.points == 0
        few = ~none & (self.points <= PARAMETERS + 1)
        say(saturated > 0, "saturated", [f"{k} of {self.n} samples at the limit, masked" for k in saturated])
        say(none & (saturated > 0), "all saturated", "every sample is at the limit or masked")
        say(none & (saturated == 0), "too few points", "no finite sample")
        say(few, "too few points", [f"{k} usable samples, at least {PARAMETERS + 2} are needed" for k in self.points])
        say(
            contact > 0,
            "contact",
            [f"{k} samples above {plan.barrier.contact_conductance_G0:g} G0, masked" for k in contact],
        )
        say(~good & ~none & ~few, "fit failed", "no exponential describes this sweep")
        with np.errstate(invalid="ignore"):
            coarse = self.step > 2 * np.sqrt(np.maximum(self.noise.terms[self.group, 0] - self.step**2 / 12, 1e-300))
            growing = good & (self.fits.decay < 0)
            falling = good & ~growing
            negative = falling & (self.fits.amplitude < 0)
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
        say(coarse & good, "coarse steps", [f"converter step {v:.3g} pA, larger than the noise" for v in step_pA])
        say(growing, "wrong sign", "the current grows with height: height or direction is reversed in the file")
        say(negative, "negative current", "the current is negative throughout; its size was fitted")
        place = at(s["jump_at"])
        say(jumped, "jump", [f"current × {f:.2f} at {z:.3f} nm" for f, z in zip(s["jump_factor"], place, strict=True)])
        place = at(s["hinge_at"])
        per_nm = 1 / (self.span * 1e9)
        detail = [f"ln I falls by {b * per_nm:.1f}/nm below {z:.3f} nm and {a * per_nm:.1f}/nm above"
                  for b, a, z in zip(s["slope_before"], s["slope_after"], place, strict=True)]  # fmt: skip
        say(plateau, "plateau", detail)
        say(two, "two slopes", detail)
        say(
            curved,
            "curved",
            [f"the slope of ln I changes by {100 * c:+.0f} % over the visible range" for c in s["curvature"]],
        )
        say(short, "few decades", [f"{d:.2f} decades above the noise; at least 1 is needed" for d in decades])
        say(low, "low barrier", [f"{b:.2f} eV: not a work function: contaminated or compliant gap" for b in barrier])
        say(high, "high barrier", [f"{b:.2f} eV: check the height scale" for b in barrier])
        say(high_bias, "high bias", [f"{b:.2f} V lowers the barrier by about half of it" for b in bias])
        say(slow, "slow noise", [f"interval widened × {np.sqrt(f):.1f}" for f in s["inflation"]])
        say(self._mixed_bias(), "mixed biases", "the sweeps of this site were taken at different biases")
        return join_flags(rows)

    def _mixed_bias(self) -> NDArray[np.bool_]:
        table = self.sweeps.table
        spread = table.groupby(["sample", "tip", "site"], sort=False)["bias_V"].transform(lambda b: b.max() - b.min())
        return (spread > 1e-3).to_numpy(bool)


def _with(fit: engine.Exponential, *, good: NDArray[np.bool_]) -> engine.Exponential:
    return engine.Exponential(fit.amplitude, fit.decay, fit.offset, good)


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
