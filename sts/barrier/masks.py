"""Which samples of an I(z) sweep a fit may use: what is missing, settling, saturated, in contact or stuck is masked."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sts.barrier.bench_offset import Prior
from sts.barrier.blocks import Array, Mask, Rows, blocks, joined
from sts.barrier.exponential import Samples, scaled_height
from sts.barrier.settling import find_settling
from sts.curves.dead_channel import stuck
from sts.curves.electronics import find_saturation
from sts.plan import BarrierPlan
from sts.quantities import CONDUCTANCE_QUANTUM
from sts.sweeps import SweepSet

REASONS = ("", "missing", "settling", "saturated", "contact", "left out by the plan", "lag", "hump")  # "": used


@dataclass(frozen=True, eq=False)
class Masks:
    """What may be used of m sweeps, and why the rest may not."""

    usable: Mask  # (m, n)
    why: NDArray[np.uint8]  # (m, n) number in `REASONS` of what masked a sample
    still: Mask  # (m,) one number throughout: a dead channel
    settling: Rows  # (m,) samples at an end that still belong to the set-point
    saturated: Rows  # (m,) samples at the limit
    contact: Rows  # (m,) samples above the conductance of contact
    largest: Array  # (m,) largest current before the lag is looked for [A]

    @cached_property
    def points(self) -> Rows:
        """Number of usable samples, shape (m,)."""
        return np.asarray(self.usable.sum(axis=1))

    def without(self, mask: Mask, why: str) -> Masks:
        """The same with more samples masked.

        Parameters
        ----------
        mask : ndarray of bool, shape (m, n)
        why : str
            One of `REASONS`.
        """
        return replace(self, usable=self.usable & ~mask, why=because(self.why, mask, why))

    def samples(self, sweeps: SweepSet, rows: Any, prior: Prior | None = None) -> Samples:
        """What is left of some sweeps, for a fit.

        Parameters
        ----------
        sweeps : SweepSet
            Those that the masks belong to.
        rows : index
            Slice or positions (k,).
        prior : Prior, optional
            What is known of the offsets of all of them.
        """
        usable = self.usable[rows]
        u, _ = scaled_height(sweeps.axis)
        expected = None if prior is None else np.column_stack([prior.value, prior.weight])[rows]
        return Samples(u, np.where(usable, sweeps.current[rows], 0.0), usable.astype(float), expected)


def because(why: NDArray[np.uint8], mask: Mask, reason: str) -> NDArray[np.uint8]:
    """Numbers in `REASONS` (m, n), with this one where a sample was used so far and is in `mask`.

    Parameters
    ----------
    why : ndarray of uint8, shape (m, n)
    mask : ndarray of bool, shape (m, n)
    reason : str
        One of `REASONS`.
    """
    return np.where(mask & (why == 0), np.uint8(REASONS.index(reason)), why)


def find_masks(sweeps: SweepSet, plan: BarrierPlan) -> Masks:
    """Mask what says nothing about the barrier, for every sweep by itself.

    Parameters
    ----------
    sweeps : SweepSet
        m sweeps on n heights.
    plan : BarrierPlan
        Conductance of contact, and the samples in which a ramp settles.
    """
    return joined([_masks(sweeps, plan, rows) for rows in blocks(*sweeps.current.shape)])


def _masks(sweeps: SweepSet, plan: BarrierPlan, rows: slice) -> Masks:
    current, table = sweeps.current[rows], sweeps.table.iloc[rows]
    full_scale = table["full_scale_A"].to_numpy(float)
    still = stuck(current, full_scale)
    usable = np.isfinite(current) & ~still[:, None]
    with np.errstate(invalid="ignore"):
        within = usable & ~(np.abs(current) >= 0.98 * np.where(full_scale > 0, full_scale, np.inf)[:, None])
    u, _ = scaled_height(sweeps.axis)
    settling = find_settling(Samples(u, np.where(within, current, 0.0), within.astype(float)))
    saturated = _saturated(np.where(settling, np.nan, current), full_scale) & ~still[:, None]
    bias = np.abs(table["bias_V"].to_numpy(float))
    limit = plan.contact_conductance_G0 * CONDUCTANCE_QUANTUM * bias
    usable &= ~settling & ~saturated
    with np.errstate(invalid="ignore"):
        contact = usable & (np.abs(current) > np.where(bias > 0, limit, np.inf)[:, None])
    ends = np.zeros(current.shape, bool)
    if plan.settling_points:
        from_top = (table["direction"] == "approach").to_numpy(bool)
        ends[~from_top, : plan.settling_points] = True
        ends[from_top, current.shape[1] - plan.settling_points :] = True
    usable &= ~contact & ~ends & window(sweeps.axis, plan)
    why = np.zeros(current.shape, np.uint8)
    masked = (~np.isfinite(current) | still[:, None], settling, saturated, contact, ends)
    for reason, mask in zip(REASONS[1:6], masked, strict=True):
        why = because(why, mask, reason)
    largest = np.max(np.abs(np.where(usable, current, 0.0)), axis=1)
    return Masks(usable, why, still, settling.sum(axis=1), saturated.sum(axis=1), contact.sum(axis=1), largest)


def window(height: Array, plan: BarrierPlan) -> Mask:
    """The heights (n,) that the plan lets a fit use.

    Parameters
    ----------
    height : ndarray, shape (n,)
        Ascending [m].
    plan : BarrierPlan
    """
    from_near_end = (height - height[0]) * 1e9
    first, last = plan.fit_from_nm or 0.0, np.inf if plan.fit_to_nm is None else plan.fit_to_nm
    return np.asarray((from_near_end >= first - 1e-9) & (from_near_end <= last + 1e-9))


def _saturated(current: Array, full_scale: Array) -> Mask:
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
