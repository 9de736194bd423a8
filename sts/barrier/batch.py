"""From the I(z) sweeps of a set to their fits: masks, noise, what bends ramps, lag, noise without what these spoiled, fits."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from sts.barrier.bench_offset import ROUNDS, KnownOffset, Prior, Seen, find_offsets
from sts.barrier.bent_ramps import HELD, Bent, find_bent, usual_loop
from sts.barrier.blocks import Array, blocks, joined
from sts.barrier.coarse_steps import Rounded, find_rounded, noise_of
from sts.barrier.humps import Humps, find_humps
from sts.barrier.lag import Lags, find_lags
from sts.barrier.masks import Masks, find_masks
from sts.barrier.pooled_noise import NoiseModel, find_noise, noise_groups
from sts.barrier.sweep_fits import Fits, fit_block
from sts.plan import BarrierPlan
from sts.sweeps import SweepSet

HUMP_ROUNDS = 2  # of looking for humps beside those that were found


@dataclass(frozen=True, eq=False)
class Prepared:
    """What is found about the m sweeps of a set on n heights before they are fitted, in SI."""

    sweeps: SweepSet  # without the lines of drifting offsets
    masks: Masks
    noise: NoiseModel
    bent: Bent
    lags: Lags
    humps: Humps
    rounded: Rounded | None  # sweeps in steps larger than their noise, which are `filled` in `sweeps`

    @property
    def measured(self) -> Array:
        """The currents as they were read, without the lines of drifting offsets [A], shape (m, n)."""
        current = self.sweeps.current
        return current if self.rounded is None else self.rounded.as_read(current)

    def without_humps(self, humps: Humps) -> Prepared:
        """The same with these humps masked, and the noise of the rest.

        Parameters
        ----------
        humps : Humps
        """
        masks = self.masks.without(humps.mask, "hump")
        noise = noise_of(self.sweeps, masks, self.noise.group, self.rounded)
        return replace(self, masks=masks, noise=noise, humps=self.humps.and_those(humps))


@dataclass(frozen=True, eq=False)
class Batch(Prepared):
    """What is found, and the fits."""

    fits: Fits
    fitted: Array  # (m, n) the fitted curve [A]; NaN where the fit failed
    residual: NDArray[np.float32]  # (m, n) in standard deviations; 7 digits do for what is only looked at
    motion: Array  # (m,) by how much what the piezo does moves the decay, with its sign [1/m]


def prepare(sweeps: SweepSet, plan: BarrierPlan) -> Prepared:
    """Masks, noise, what bends ramps, and lag of a set.

    Parameters
    ----------
    sweeps : SweepSet
        m I(z) sweeps.
    plan : BarrierPlan
    """
    masks, group = find_masks(sweeps, plan), noise_groups(sweeps)
    noise = find_noise(sweeps, masks, group)
    rounded = find_rounded(sweeps, masks, noise)
    if rounded is not None:
        sweeps = rounded.put_into(sweeps)
        noise = noise_of(sweeps, masks, group, rounded)
    bent, recorded = find_bent(sweeps, masks, noise), sweeps
    if bent.line.any():
        sweeps = bent.without_lines(recorded)
        noise = noise_of(sweeps, masks, group, rounded)  # the lines looked like slow noise
    lags, masks = find_lags(sweeps, masks, noise, straight=bent.moved < 0)
    if lags.masked.any():
        if bent.line.any():  # what the lag spoiled had a share in the lines
            bent = find_bent(recorded, masks, noise)
            sweeps = bent.without_lines(recorded)
        noise = noise_of(sweeps, masks, group, rounded)  # and so did what the lag spoiled
    return Prepared(sweeps, masks, noise, bent, lags, Humps.none(sweeps), rounded)


def fit_prepared(ready: Prepared, plan: BarrierPlan, prior: Prior | None = None) -> Batch:
    """Fit every sweep of a set.

    Parameters
    ----------
    ready : Prepared
        Of m sweeps.
    plan : BarrierPlan
    prior : Prior, optional
        What is known of their offsets.
    """
    sweeps = ready.sweeps
    fitted, residual = np.empty(sweeps.current.shape), np.empty(sweeps.current.shape, np.float32)
    parts = []
    for rows in blocks(*sweeps.current.shape):
        part, fitted[rows], residual[rows] = fit_block(sweeps, ready.masks, ready.noise, rows, plan, prior)
        parts.append(part)
    fits = joined(parts)
    if ready.rounded is not None:
        fits = ready.rounded.told(fits, fitted, sweeps, ready.masks, prior)
    found = {field.name: getattr(ready, field.name) for field in fields(Prepared)}
    fits = ready.bent.widened(fits, sweeps, ready.masks)
    motion = ready.bent.motion(fits, sweeps, ready.masks, plan.hysteresis_percent / 100)
    fits = replace(fits, decay_se=np.hypot(fits.decay_se, HELD * motion))
    return Batch(**found, fits=fits, fitted=fitted, residual=residual, motion=motion)


def fit_batches(sets: Sequence[SweepSet], plan: BarrierPlan, known: Sequence[KnownOffset] = ()) -> list[Batch]:
    """Fit the sets of one bench and day, which share the zero of the current.

    Parameters
    ----------
    sets : sequence of SweepSet
        I(z) sweeps.
    plan : BarrierPlan
    known : sequence of KnownOffset
        What else says where the zero is.

    Notes
    -----
    Where a free offset is not determined (`find_offsets`), the offset is found about the curves that it makes, in `ROUNDS`: about
    the free fits, a sweep that happens to decay fast would also seem to know its offset well, and pull it.
    """
    if plan.offset_pA is not None:
        known = [*known, KnownOffset(plan.offset_pA * 1e-12, plan.offset_se_pA * 1e-12, "the plan")]
    prepared = [prepare(sweeps, plan) for sweeps in sets]
    loop = usual_loop([one.bent for one in prepared], plan.hysteresis_percent / 100)
    plan = plan.model_copy(update={"hysteresis_percent": 100 * loop})
    batches = [_humps_masked(fit_prepared(one, plan), plan) for one in prepared]
    for number in range(ROUNDS):
        priors = find_offsets([_offsets_seen(batch) for batch in batches], known)
        for place, prior in enumerate(priors):
            if prior.there.any():
                batch = batches[place]
                if not number:  # slow noise too weak to be significant matters where there are few decades
                    noise = noise_of(batch.sweeps, batch.masks, batch.noise.group, batch.rounded, never_white=True)
                    batch = replace(batch, noise=noise)
                batches[place] = fit_prepared(batch, plan, prior)
    return batches


def _offsets_seen(batch: Batch) -> Seen:
    """What a set says of the zero of the current, without the sweeps that a lag has spoiled."""
    seen = batch.fits.seen
    return replace(seen, counts=seen.counts & ~batch.lags.too_long)


def _humps_masked(batch: Batch, plan: BarrierPlan) -> Batch:
    """The sweeps fitted again without their humps, where there are any."""
    for _ in range(HUMP_ROUNDS):
        humps = find_humps(batch.sweeps, batch.masks, batch.noise, batch.fits, batch.residual)
        if not humps.mask.any():
            break
        batch = fit_prepared(batch.without_humps(humps), plan)
    return batch
