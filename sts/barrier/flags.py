"""What is to be said against a sweep: a list of flags, each with the sweeps it is for and its words."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import cached_property
from string import Formatter
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sts.barrier.batch import Batch
from sts.barrier.bench_offset import COST
from sts.barrier.blocks import Array, Mask
from sts.barrier.exponential import PARAMETERS
from sts.barrier.mean_residual import LEAST_PERCENT, Bend
from sts.barrier.straightness import JUMP_SIZE
from sts.curves.averaging import comparison_groups, site_columns
from sts.curves.dead_channel import dead_rows
from sts.curves.distributions import f_quantile
from sts.curves.planar_barrier import tilted_barrier
from sts.flags import NOWHERE, flag_rows, join_flags
from sts.plan import BarrierPlan
from sts.quantities import barrier_from_decay, decimals_for, scale_for

MISFIT = 5.0  # times the usual reduced chi² of the tip (at least 1): such a sweep follows no exponential with offset
BY_CHANCE = 1e-4  # of a sweep that follows one, and scatters more than the limit


class Evidence:
    """What the flags of m sweeps rest on: masks (m,), and the numbers of their texts (m,) in the units people read."""

    def __init__(self, batch: Batch, plan: BarrierPlan, confidence: float, bends: Sequence[Bend] = ()) -> None:
        self.batch, self.plan, self.fits, self.lags = batch, plan, batch.fits, batch.lags
        fits, shape, table = batch.fits, batch.fits.shape, batch.sweeps.table
        self.good, self.points = fits.good, batch.masks.points
        self.samples = np.full(len(table), batch.sweeps.axis.size)
        self.settling, self.saturated, self.contact = batch.masks.settling, batch.masks.saturated, batch.masks.contact
        self.late, self.hump, self.hump_nm = batch.lags.masked, batch.humps.factor, self.near_nm(batch.humps.place)
        self.G0, self.least = np.full(len(table), plan.contact_conductance_G0), np.full(len(table), PARAMETERS + 2)
        self.rounded, self.largest_pA = fits.rounded > 0, np.abs(fits.amplitude) * 1e12
        self.step_pA = np.where(self.rounded, fits.rounded, fits.noise.step) * 1e12
        self.jump, self.jump_nm = shape.jump_factor, self.near_nm(shape.jump_at)
        self.hinge_nm = self.near_nm(shape.hinge_at)
        self.before, self.after = shape.slope_before * 1e-9, shape.slope_after * 1e-9
        self.bend_percent = 100 * shape.curvature
        self.decades, self.chi2 = fits.decades, fits.reduced_chi2
        self.barrier_eV = barrier_from_decay(fits.decay)
        self.reach = fits.reach(confidence)
        self.highest_eV = barrier_from_decay(np.abs(fits.decay) + self.reach)
        self.slope_per_nm, self.range_nm = fits.decay * 1e-9, np.full(len(table), np.ptp(batch.sweeps.axis) * 1e9)
        self.shared = fits.decay_common != 0  # the offset is the bench's
        self.line_pA, self.line_se_pA = batch.bent.line * batch.bent.sign * 1e12, batch.bent.line_se * 1e12
        self.loop_percent, self.off_percent = 100 * batch.bent.size, 200 * batch.motion / fits.decay
        self.alone = np.where(batch.bent.alone, "; one direction only: a barrier that bends may look like it", "")
        doubt = "; approach is not straight either, so both directions stay in use: look at them"
        self.doubted = np.where(self.lags.doubted, doubt, "")
        self.bias_V = np.abs(table["bias_V"].to_numpy(float))
        self.widened, self.slow = np.sqrt(fits.inflation), batch.noise.pooled.slow[batch.noise.group]
        self.widening = batch.noise.widening(self.widened, table["duration_s"].to_numpy(float))
        self.bend, self.bend_of = np.full(len(table), "", object), np.zeros(len(table))
        self.explained = np.zeros(len(table), bool)  # what looks like slow noise is the bend
        for bend in bends:
            self.bend[bend.rows], self.bend_of[bend.rows] = bend.words, bend.percent
            self.explained[bend.rows] = bend.explains

    def near_nm(self, height: Array) -> Array:
        """Heights [m] counted from the near end of the ramps [nm]: a piezo's position may start anywhere."""
        return np.asarray((height - self.batch.sweeps.axis[0]) * 1e9)

    # --- whether there is a fit ------------------------------------------------------------------------------------

    @property
    def empty(self) -> Any:
        """No sample is left, and not because the channel is dead."""
        return (self.points == 0) & ~self.batch.masks.still

    @property
    def few(self) -> Any:
        """Some samples are left, too few for a fit."""
        return (self.points > 0) & ~self.batch.masks.still & (self.points < self.least)

    @cached_property
    def dead(self) -> NDArray[np.object_]:
        """What is said of sweeps whose current does not depend on the height, else ""."""
        masks, sweeps = self.batch.masks, self.batch.sweeps
        seen = np.where(masks.usable | masks.still[:, None], sweeps.current, np.nan)
        names = np.array(sweeps.names, object)
        said = join_flags([
            dead_rows(list(names[members]), seen[members], seen[reference], "height")
            for members, reference in comparison_groups(sweeps)
        ])  # fmt: skip
        details = dict(zip(said["sweep"], said["detail"], strict=True))
        return np.array([details.get(name, "") for name in names], object)

    # --- sign and slope ----------------------------------------------------------------------------------------------

    @cached_property
    def negative(self) -> Any:
        """The current is negative from end to end."""
        ends = self.batch.fitted[:, [0, -1]].max(axis=1)
        return self.good & (ends <= 3 * self.fits.noise.electronics) & (self.fits.amplitude < 0)

    @cached_property
    def growing(self) -> Any:
        """The current grows with height."""
        first, last = self.batch.fitted[:, 0], self.batch.fitted[:, -1]
        rise = self.fits.amplitude * self.fits.decay
        return self.good & (((np.abs(last) > np.abs(first)) & (rise * first < 0)) | (~self.negative & (rise < 0)))

    @cached_property
    def falling(self) -> Any:
        """The current falls with height, as it should."""
        return self.good & ~self.growing

    @cached_property
    def not_tunnelling(self) -> Mask:
        """The current falls far too slowly for tunnelling, whatever the noise."""
        fastest = (np.abs(self.fits.decay) + self.reach) * 1e-9
        return np.asarray(self.falling & (fastest < self.plan.slowest_decay_per_nm))

    @property
    def short(self) -> Any:
        """Less than a decade of current is seen."""
        return self.falling & (self.decades < 1)

    @property
    def low(self) -> Any:
        """The barrier is low: all of its interval is, or the sweep is long enough to tell."""
        limit = self.plan.low_eV
        below = (self.highest_eV < limit) | ((self.barrier_eV < limit) & ~self.short)
        return self.falling & ~self.not_tunnelling & below

    # --- straightness ------------------------------------------------------------------------------------------------

    @property
    def jumped(self) -> Any:
        """The current steps."""
        return self.good & (self.jump != 1)

    @property
    def clear(self) -> Any:
        """There is enough of the sweep to tell a bend, and no jump that looks like one."""
        return self.falling & ~self.jumped & (self.decades >= 0.5)

    @cached_property
    def broken(self) -> Any:
        """Two slopes fit clearly better than one."""
        ratio = np.abs(self.after / self.before)
        return (
            self.clear & (np.abs(self.fits.shape.hinge_t) > 5)
            & (np.abs(np.log(ratio)) > np.log1p(self.plan.curvature))
        )  # fmt: skip

    @cached_property
    def plateau(self) -> Any:
        """One of the two slopes is nearly none."""
        sizes = np.abs([self.before, self.after])
        return self.broken & (sizes.min(axis=0) < 0.25 * sizes.max(axis=0))

    @cached_property
    def two(self) -> Any:
        """Two slopes, which fit better than a curve."""
        shape = self.fits.shape
        return self.broken & ~self.plateau & (np.abs(shape.hinge_t) > 1.2 * np.abs(shape.curvature_t))

    @property
    def curved(self) -> Any:
        """A bend that is neither."""
        shape = self.fits.shape
        bent = (np.abs(shape.curvature_t) > 5) & (np.abs(shape.curvature) > self.plan.curvature)
        return self.clear & bent & ~self.plateau & ~self.two

    # --- where it sits: from and to [m from the near end] ----------------------------------------------------------

    @property
    def level_part(self) -> tuple[Array, Array]:
        """The part with the smaller of the two slopes."""
        start, end = self.visible
        hinge, above = self.hinge_nm * 1e-9, np.abs(self.after) < np.abs(self.before)
        return np.where(above, hinge, start), np.where(above, np.maximum(end, hinge), hinge)

    @property
    def visible(self) -> tuple[Array, Array]:
        """From the first sample that entered to where the current is lost in the noise."""
        fits, near = self.fits, self.batch.sweeps.axis[0]
        reach = fits.lowest + self.decades * np.log(10) / np.abs(fits.decay)
        return fits.lowest - near, np.fmin(reach, fits.highest) - near

    # --- noise, lag, bias --------------------------------------------------------------------------------------------

    @property
    def coarse(self) -> Any:
        """The converter's step is larger than twice the rest of the noise."""
        rest = np.maximum(self.fits.noise.terms[:, 0] - self.fits.noise.step**2 / 12, 1e-300)
        return self.good & (self.rounded | (self.fits.noise.step > 2 * np.sqrt(rest)))

    @cached_property
    def usual(self) -> Array:
        """Reduced chi² that is usual for the tip."""
        return pd.Series(self.chi2).groupby(self.batch.noise.group).transform("median").to_numpy(float)

    @cached_property
    def most_chi2(self) -> Array:
        """Reduced chi² above which a sweep is no exponential: few points scatter more by chance (F distribution)."""
        freedom = np.maximum(self.points - PARAMETERS, 1)
        shared = pd.Series(freedom).groupby(self.batch.noise.group).transform("sum").to_numpy(float)
        pairs, which = np.unique(np.stack([freedom, shared]), axis=1, return_inverse=True)  # a quantile takes long
        by_chance = f_quantile(1 - BY_CHANCE, *pairs)[which.ravel()]
        return np.asarray(np.maximum(MISFIT, by_chance) * np.maximum(self.usual, 1.0))

    @property
    def lagging(self) -> Any:
        """Retract sweeps of ramps in which a lag is seen."""
        return np.isfinite(self.lags.length) & (self.batch.sweeps.table["direction"] == "retract").to_numpy(bool)

    @cached_property
    def how_late(self) -> NDArray[np.object_]:
        """The lag of the sweeps that are late, in words."""
        texts, lags = np.full(len(self.good), "", object), self.lags
        for row in np.flatnonzero(self.lagging):
            known = np.isfinite(lags.time[row])
            factor, unit = scale_for([lags.time[row], lags.time_se[row]], "s")
            late, error = lags.time[row] * factor, lags.time_se[row] * factor
            digits = decimals_for(error)
            time = f" ({late:.{digits}f} ± {error:.{digits}f} {unit})" if known else ""
            doubt = "" if lags.by_pairs[row] else "; one direction only: a barrier that bends there looks the same"
            texts[row] = f"{lags.length[row] * 1e9:.2g} nm as by an amplifier that lags{time}{doubt}"
        return texts

    @cached_property
    def low_eV(self) -> Array:
        """By how much the barrier reads low at its bias."""
        return np.asarray(self.barrier_eV - tilted_barrier(self.barrier_eV, self.plan.gap_nm, self.bias_V))

    @property
    def mixed(self) -> Any:
        """The sweeps of the site were not all taken at one bias."""
        sites = self.batch.sweeps.table.groupby(site_columns(self.batch.sweeps.table), sort=False)["bias_V"]
        return np.asarray((sites.transform("max") - sites.transform("min")) > 1e-3, bool)


BROKEN = "ln I falls by {before:.1f}/nm below {hinge_nm:.3f} nm and {after:.1f}/nm above"
RULES: tuple[tuple[str, Callable[[Evidence], Any], str], ...] = (
    ("settling", lambda e: e.settling > 0, "at an end of the ramp still at the set-point: samples masked {settling}"),
    ("saturated", lambda e: e.saturated > 0, "{saturated} of {samples} samples at the limit, masked"),
    ("all saturated", lambda e: e.empty & (e.saturated > 0), "every sample is at the limit or masked"),
    ("too few points", lambda e: e.empty & (e.saturated == 0), "no finite sample"),
    ("too few points", lambda e: e.few, "{points} usable samples, at least {least} are needed"),
    ("contact", lambda e: e.contact > 0, "{contact} samples above {G0:g} G0, masked"),
    ("dead channel", lambda e: e.dead != "", "{dead}"),
    ("fit failed", lambda e: ~(e.good | e.empty | e.few | e.batch.masks.still), "no exponential describes this sweep"),
    ("no tunnelling decay", lambda e: e.not_tunnelling,
     "ln I falls by {slope_per_nm:.2g}/nm over {range_nm:.3g} nm: a water film, contact, leakage, or no height"),
    ("coarse steps", lambda e: e.coarse, "converter step {step_pA:.3g} pA, larger than the noise"),
    ("wrong sign", lambda e: e.growing, "the current grows with height: height or direction is reversed in the file"),
    ("negative current", lambda e: e.negative, "the current is negative throughout; its size was fitted"),
    ("jump", lambda e: e.jumped, "current × {jump:.2f} at {jump_nm:.3f} nm"),
    ("hump", lambda e: e.hump != 1, "current × {hump:.2f} and back at {hump_nm:.3f} nm, masked"),
    ("plateau", lambda e: e.plateau, BROKEN),
    ("two slopes", lambda e: e.two, BROKEN),
    ("curved", lambda e: e.curved, "the slope of ln I changes by {bend_percent:+.0f} % over the visible range"),
    ("common bend", lambda e: e.bend != "", "{bend}"),
    ("few decades", lambda e: e.short, "{decades:.2f} decades above the noise; at least 1 is needed"),
    ("offset unknown", lambda e: e.short & ~e.shared & (e.fits.seen.cost > COST),
     "{decades:.2f} decades, and nothing says where the zero of the current is: no interval"),
    ("steps too coarse", lambda e: e.good & e.rounded & ~np.isfinite(e.reach),
     "steps of {step_pA:.3g} pA under a current of {largest_pA:.3g} pA do not say how it decays: no barrier"),
    ("no interval", lambda e: e.good & ~e.rounded & ~np.isfinite(e.reach),
     "the noise of {points} samples does not say how uncertain the slope is: no interval"),
    ("low barrier", lambda e: e.low, "{barrier_eV:.2f} eV: not a work function, usual only in air"),
    ("high barrier", lambda e: e.falling & (e.barrier_eV > e.plan.high_eV),
     "{barrier_eV:.2f} eV: check the height scale"),
    ("high bias", lambda e: e.falling & (e.bias_V > e.plan.high_bias_V),
     "at {bias_V:.2f} V the barrier reads about {low_eV:.2g} eV low"),
    ("poor fit", lambda e: e.good & (e.chi2 > e.most_chi2), "reduced chi² {chi2:.1f}, usual for this tip {usual:.1f}"),
    ("slow noise", lambda e: e.good & e.slow & (e.widened**2 > 1.5) & ~e.explained, "{widening}"),
    ("offset drift", lambda e: e.line_pA != 0,
     "the zero of the current moves by {line_pA:+.2g} ± {line_se_pA:.1g} pA during every ramp; taken out{alone}"),
    ("hysteresis", lambda e: e.batch.bent.moved == 0,
     "as by a piezo whose loop is {loop_percent:.2g} % of the ramp wide: this direction alone reads {off_percent:+.2g} %"),
    ("creep", lambda e: e.batch.bent.moved == 1,
     "as by a piezo that creeps {loop_percent:.2g} % of the ramp further: this direction alone reads {off_percent:+.2g} %"),
    ("too much lag", lambda e: e.lagging & e.lags.too_long, "its start is flattened over {how_late}"),
    ("lag", lambda e: e.lagging & ~e.lags.too_long, "its start is flattened over {how_late}; {late} samples masked{doubted}"),
    ("mixed biases", lambda e: e.mixed, "the sweeps of this site were taken at different biases"),
)  # fmt: skip


# A flag's size over its limit, from 1 on; flags that have a limit.
TIMES_LIMIT: dict[str, Callable[[Evidence], Any]] = {
    "too few points": lambda e: e.least / np.maximum(e.points, 1),
    "jump": lambda e: np.maximum(np.abs(np.log(e.jump)) / np.log1p(JUMP_SIZE), 1.0),
    "poor fit": lambda e: e.chi2 / e.most_chi2,
    "no tunnelling decay": lambda e: e.plan.slowest_decay_per_nm / np.abs(e.slope_per_nm),
    "curved": lambda e: np.abs(e.fits.shape.curvature) / e.plan.curvature,
    "common bend": lambda e: e.bend_of / LEAST_PERCENT,
    "few decades": lambda e: 1 / e.decades,
    "low barrier": lambda e: e.plan.low_eV / e.barrier_eV,
    "high barrier": lambda e: e.barrier_eV / e.plan.high_eV,
    "high bias": lambda e: e.bias_V / e.plan.high_bias_V,
    "slow noise": lambda e: e.widened**2 / 1.5,
}
NOT_SAID = np.nan
WHERE: dict[str, Callable[[Evidence], tuple[Any, Any, Any]]] = {  # of what is masked, the samples say it
    "coarse steps": lambda e: (NOT_SAID, NOT_SAID, e.step_pA * 1e-12),
    "jump": lambda e: (e.jump_nm * 1e-9, e.jump_nm * 1e-9, NOT_SAID),
    "plateau": lambda e: (*e.level_part, NOT_SAID),
    "two slopes": lambda e: (e.hinge_nm * 1e-9, e.hinge_nm * 1e-9, NOT_SAID),
    "curved": lambda e: (*e.visible, NOT_SAID),
    "few decades": lambda e: (*e.visible, NOT_SAID),
    "too much lag": lambda e: (0.0, e.lags.length, NOT_SAID),
}


def sweep_flags(batch: Batch, plan: BarrierPlan, confidence: float, bends: Sequence[Bend] = ()) -> pd.DataFrame:
    """The flags of a set, in the order of `RULES`.

    Parameters
    ----------
    batch : Batch
        Of m sweeps.
    plan : BarrierPlan
        The limits.
    confidence : float
        Level of the interval that must lie below the limit for a barrier to be low.
    bends : sequence of Bend
        That the sweeps of a tip share.

    Returns
    -------
    pandas.DataFrame
        Rows (sweep, flag, detail, times_limit, and where it sits).
    """
    evidence = Evidence(batch, plan, confidence, bends)
    found = []
    for flag, applies, text in RULES:
        with np.errstate(all="ignore"):
            rows = np.flatnonzero(applies(evidence))
        values = {name: getattr(evidence, name) for _, name, _, _ in Formatter().parse(text) if name and rows.size}
        details = [text.format(**{name: value[row] for name, value in values.items()}) for row in rows]
        with np.errstate(all="ignore"):
            sizes = TIMES_LIMIT[flag](evidence)[rows] if flag in TIMES_LIMIT and rows.size else None
            place = WHERE[flag](evidence) if flag in WHERE and rows.size else NOWHERE
        first, last, size = (np.broadcast_to(part, len(batch.sweeps))[rows] for part in place)
        here, every = [batch.sweeps.names[row] for row in rows], np.ones(len(rows), bool)
        found.append(flag_rows(here, every, flag, details, times_limit=sizes, place=(first, last, size)))
    return join_flags(found)
