"""What bends the ramps of each tip of a set: the line of a drifting offset is taken out, and what the piezo does is known."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from sts.barrier import exponential as engine
from sts.barrier.bench_offset import pool_offsets
from sts.barrier.blocks import Array, Mask, Rows, take
from sts.barrier.causes import CREEP, HYSTERESIS, OFFSET_DRIFT, Cause, Found, Side, find_cause, sides_of, try_cause
from sts.barrier.masks import Masks
from sts.barrier.pooled_noise import NoiseModel
from sts.barrier.sweep_fits import Fits
from sts.sweeps import SweepSet

HELD = 0.75  # standard uncertainty that stands for a known bias of 1: 95 % intervals then hold it, beside any noise
MOST_SWEEPS = 32  # of a direction of a ramp that are looked at


@dataclass(frozen=True, eq=False)
class Bent:
    """What bends the ramps of m sweeps."""

    sign: Array  # (m,) +1 for retract, -1 for approach
    line: Array  # (m,) by which the zero of the current rises from the near to the far end of a ramp [A], 0 where it does not
    line_se: Array  # (m,) standard uncertainty of that in a sweep [A]
    line_dof: Array  # (m,) its degrees of freedom
    moved_by: tuple[Cause, ...]  # what the piezo may do
    moved: Rows  # (m,) which of them it does, -1 for none
    size: Array  # (m,) of that, as a share of the ramp
    alone: Mask  # (m,) the ramp was recorded in one direction only
    loops: tuple[tuple[float, float], ...] = ()  # width of the piezo's loop and its u, of each ramp of two directions

    @classmethod
    def none(cls, sweeps: SweepSet) -> Bent:
        """Straight ramps.

        Parameters
        ----------
        sweeps : SweepSet
        """
        m = len(sweeps)
        sign = np.where(sweeps.table["direction"] == "approach", -1.0, 1.0)
        nothing = np.zeros(m)
        return cls(sign, nothing, nothing.copy(), np.full(m, np.inf), (HYSTERESIS, CREEP), np.full(m, -1), nothing.copy(),
                   np.zeros(m, bool))  # fmt: skip

    def without_lines(self, sweeps: SweepSet) -> SweepSet:
        """The sweeps without the lines of drifting offsets; the zero in the middle of a ramp stays.

        Parameters
        ----------
        sweeps : SweepSet
        """
        if not self.line.any():
            return sweeps
        u, _ = engine.scaled_height(sweeps.axis)
        return replace(sweeps, current=sweeps.current - self.line[:, None] * (u - 0.5))

    def widened(self, fits: Fits, sweeps: SweepSet, masks: Masks) -> Fits:
        """The fits with what is not known of the lines in the uncertainty of the decay.

        Parameters
        ----------
        fits : Fits
            Of the sweeps without their lines.
        sweeps : SweepSet
        masks : Masks
        """
        rows = np.flatnonzero(self.line_se > 0)
        if not rows.size:
            return fits
        u, span = engine.scaled_height(sweeps.axis)
        more = pull(u, span, take(fits, rows), masks.usable[rows], np.broadcast_to(u - 0.5, (rows.size, u.size)))
        before, added = fits.decay_se[rows] ** 2, (more / span * self.line_se[rows]) ** 2
        with np.errstate(invalid="ignore", divide="ignore"):
            together = (before + added) ** 2 / (before**2 / fits.dof[rows] + added**2 / self.line_dof[rows])
        se, dof = fits.decay_se.copy(), fits.dof.copy()
        se[rows], dof[rows] = np.sqrt(before + added), together
        return replace(fits, decay_se=se, dof=dof)

    def motion(self, fits: Fits, sweeps: SweepSet, masks: Masks, usual: float) -> Array:
        """By how much what the piezo does moves the decay of each sweep [1/m], with its sign, (m,); 0 where nothing is known.

        Parameters
        ----------
        fits : Fits
            Of the sweeps.
        sweeps : SweepSet
        masks : Masks
        usual : float
            Width of the loop (`usual_loop`), as a share of the ramp: a bound where one direction was recorded.
        """
        u, span = engine.scaled_height(sweeps.axis)
        found = np.zeros(len(fits.decay))
        bound = self.alone & (usual > 0)
        for number, cause in enumerate(self.moved_by):
            for sign in (1.0, -1.0):
                here = (self.moved == number) | (bound & (cause is HYSTERESIS))
                rows = np.flatnonzero(here & (self.sign == sign))
                if not rows.size:
                    continue
                own = take(fits, rows)
                size = np.where(bound[rows], usual, self.size[rows])
                signal = own.amplitude[:, None] * np.exp(-own.decay[:, None] * span * u)
                moved, _ = cause.at(u, sign, 1.0)
                added = -signal * (own.decay * span * size)[:, None] * moved
                found[rows] = pull(u, span, own, masks.usable[rows], np.where(np.isfinite(added), added, 0.0)) / span
        return np.nan_to_num(found)


def without_motion(se: Any, motion: Any) -> Array:
    """Standard uncertainties of decays without the part that stands for the motion of the piezo, which moves many alike.

    Parameters
    ----------
    se, motion : array_like, shape (m,)
        With that part, and by how much the piezo moves each decay, in one unit.
    """
    return np.asarray(np.sqrt(np.maximum(np.square(se) - (HELD * np.asarray(motion)) ** 2, 0.0)))


def pull(u: Array, span: float, fits: Fits, usable: Mask, column: Array) -> Array:
    """By how much what is added to the current moves the fitted decay, per unit, on the scaled height; (k,).

    Parameters
    ----------
    u : ndarray, shape (n,)
        Scaled height.
    span : float
        Range of heights [m].
    fits : Fits
        Of k sweeps.
    usable : ndarray of bool, shape (k, n)
    column : ndarray, shape (k, n)
        What is added [A].
    """
    signal = fits.amplitude[:, None] * np.exp(-fits.decay[:, None] * span * u)
    good = fits.good & np.isfinite(signal).all(axis=1)
    signal = np.where(good[:, None], signal, 1.0)
    weight = usable / np.where(good[:, None], fits.noise.variance(signal), 1.0)
    model = np.stack([signal, np.ones_like(signal), signal * u], axis=2) * np.sqrt(weight)[:, :, None]
    size = np.maximum(np.linalg.norm(model, axis=1, keepdims=True), 1e-300)
    model = model / size
    normal = model.mT @ model + 1e-12 * np.eye(3)
    load = np.linalg.solve(normal, model.mT @ (column * np.sqrt(weight))[:, :, None])[:, 2, 0] / size[:, 0, 2]
    return np.where(good, -load, np.nan)


def find_bent(sweeps: SweepSet, masks: Masks, noise: NoiseModel) -> Bent:
    """What bends the ramps of each tip and speed.

    Parameters
    ----------
    sweeps : SweepSet
        m sweeps on n heights.
    masks : Masks
    noise : NoiseModel
        Of the sweeps.
    """
    bent, loops = Bent.none(sweeps), []
    for rows in _ramps(sweeps.table, noise.group):
        looked = _some(rows, bent.sign)
        samples = masks.samples(sweeps, looked)
        sides = sides_of(samples, bent.sign[looked], noise.of(looked))
        bent.alone[rows] = len(sides) == 1
        moved = () if len(sides) == 1 else bent.moved_by
        found = find_cause(sides, (OFFSET_DRIFT, *moved))
        if found is not None and found.cause is OFFSET_DRIFT:
            value, u, scatter = pool_offsets(found.each, found.each_se**2)
            bent.line[rows] = value * bent.sign[rows]
            bent.line_se[rows], bent.line_dof[rows] = np.hypot(u, scatter), max(len(found.each) - 1, 1)
            line = bent.line[looked, None] * (samples.u - 0.5)
            samples = replace(samples, current=(samples.current - line) * samples.usable)
            sides = sides_of(samples, bent.sign[looked], noise.of(looked)) if moved else []
            found = find_cause(sides, moved) if moved else None
        if found is not None and found.cause in moved:
            bent.moved[rows], bent.size[rows] = moved.index(found.cause), found.size
        loops += _loop(sides, found) if moved else []
    return replace(bent, loops=tuple(loops))


def _loop(sides: Sequence[Side], found: Found | None) -> list[tuple[float, float]]:
    """Width of the piezo's loop and its uncertainty, significant or not; nothing where something else bends the ramps."""
    if found is not None:
        return [(abs(found.size), found.se)] if found.cause is HYSTERESIS else []
    with np.errstate(all="ignore"):  # a fit far from an exponential
        seen = try_cause(HYSTERESIS, sides)
    return [(abs(seen.size), seen.se)] if seen is not None else []


def usual_loop(bents: Sequence[Bent], stated: float) -> float:
    """Width of the piezo's loop that sweeps of one direction allow for, as a share of the ramp.

    Parameters
    ----------
    bents : sequence of Bent
        Of the sets of one bench and day.
    stated : float
        What the plan says: it stands where no ramp was recorded in both directions.

    Notes
    -----
    The largest loop that ramps of two directions show, with two standard uncertainties. One that is not significant is no larger
    than what could have hidden, nor than what the plan says.
    """
    seen = [(size, size + 2 * se) for bent in bents for size, se in bent.loops if np.isfinite(se)]
    return max((most if size > 0.6 * most else min(most, stated) for size, most in seen), default=stated)


def _ramps(table: pd.DataFrame, group: Rows) -> Iterator[Rows]:
    """The sweeps of each ramp speed among those that share noise: `group`, shape (m,)."""
    with np.errstate(divide="ignore", invalid="ignore"):  # durations within 2 % are of one ramp speed
        speed = np.round(np.log(table["duration_s"].to_numpy(float)) / 0.02)
    known = pd.DataFrame(
        {"group": group, "speed": speed, "there": np.isin(table["direction"], ("retract", "approach"))}
    )
    known = known[known["there"]].reset_index(names="row")
    for _, ramp in known.groupby(["group", "speed"], dropna=False, sort=False):
        yield ramp["row"].to_numpy()


def _some(rows: Rows, sign: Array) -> Rows:
    """At most `MOST_SWEEPS` of each direction."""
    sides = [rows[sign[rows] == direction] for direction in (1.0, -1.0)]
    return np.concatenate([side[np.unique(np.linspace(0, side.size - 1, MOST_SWEEPS).astype(int))] if side.size else side
                           for side in sides])  # fmt: skip
