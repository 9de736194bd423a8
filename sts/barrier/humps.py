"""Humps: a knock or a slow mechanical movement that lifts or lowers the current for part of a ramp and lets it come back."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy.ndimage import convolve1d

from sts.barrier import exponential as engine
from sts.barrier.blocks import Array, Mask, Rows, take
from sts.barrier.masks import Masks
from sts.barrier.pooled_noise import NoiseModel
from sts.barrier.sweep_fits import Fits
from sts.barrier.whitened import Whitened
from sts.quantities import MAD_SCALE
from sts.sweeps import SweepSet

WIDTHS = (0.012, 0.02, 0.032, 0.048, 0.072)  # standard deviations of the humps tried, as shares of the sweep
REACH = 2.8  # of them to either side is masked
SUSPECT = 1.3  # times the usual reduced chi² of the set, from which a sweep is looked at
CLEAR = 5.0  # times what noise of this set does at the same width
LEAST = 0.08  # smallest relative change of the current that is called a hump
LARGEST = 3.0  # size in ln I beyond which nothing is told of it
MOST = 0.35  # share of the samples that humps may cover; beyond this the sweep is left as it is
MOST_HUMPS = 3  # in one sweep
USUAL_SWEEPS = 60  # that say what noise does
OWN = 3.0  # times the usual scatter that a sweep may have for its own
STEP_SHARE = 0.4  # of a hump: what steps by more than this is left for a jump,
STEP_CLEAR = 3.0  # where it is this many standard deviations
POINTS = 60  # fewer samples do not show a hump apart from a bend


@dataclass(frozen=True, eq=False)
class Humps:
    """The largest hump of each of m sweeps."""

    mask: Mask  # (m, n) samples of all its humps
    factor: Array  # (m,) of the current at the top; 1 where there is none
    place: Array  # (m,) height of the top [m]; NaN where there is none

    @classmethod
    def none(cls, sweeps: SweepSet) -> Humps:
        """No hump anywhere."""
        m = len(sweeps)
        return cls(np.zeros(sweeps.current.shape, bool), np.ones(m), np.full(m, np.nan))

    def and_those(self, other: Humps) -> Humps:
        """Those of both; the larger one is told.

        Parameters
        ----------
        other : Humps
        """
        larger = np.abs(np.log(other.factor)) > np.abs(np.log(self.factor))
        factor, place = (np.where(larger, theirs, ours) for theirs, ours in
                         ((other.factor, self.factor), (other.place, self.place)))  # fmt: skip
        return Humps(self.mask | other.mask, factor, place)


def find_humps(sweeps: SweepSet, masks: Masks, noise: NoiseModel, fits: Fits, residual: Any) -> Humps:
    """Look for humps in the sweeps that scatter more than the others.

    Parameters
    ----------
    sweeps : SweepSet
        m sweeps on n heights.
    masks, noise : Masks, NoiseModel
        Of them.
    fits : Fits
        Of them.
    residual : ndarray, shape (m, n)
        Residuals in standard deviations of the noise.

    Notes
    -----
    A matched filter (D. O. North, Proc. IEEE 51, 1016 (1963)) for Gaussian humps of ln I. Its output is measured by what it is on
    all sweeps of the set, so that slow noise, which is everywhere, is no hump; and what most sweeps show at the same place is
    their shape. A step does not come back: where the fit without the hump still steps there, it is left for a jump.
    """
    found = Humps.none(sweeps)
    usual = np.nanmedian(fits.reduced_chi2) if fits.good.any() else np.nan
    suspects = np.flatnonzero(fits.good & (fits.reduced_chi2 > SUSPECT * usual) & (masks.points >= POINTS))
    if not suspects.size:
        return found
    quiet = np.flatnonzero(fits.good & (fits.reduced_chi2 <= 3 * usual))
    quiet = quiet[np.unique(np.linspace(0, quiet.size - 1, USUAL_SWEEPS).round().astype(int))]
    seen = [_Filter.of(sweeps, masks, noise, fits, residual, rows) for rows in (quiet, suspects)]
    mask, factor, place = found.mask, found.factor, found.place
    for number, row in enumerate(suspects.tolist()):
        largest = 0.0
        for hump in _peaks(seen[1], number, seen[0], masks.usable[row]):
            centre, width, size = hump
            near = np.abs(np.arange(sweeps.axis.size) - centre) <= REACH * width
            rest = masks.usable[row] & ~mask[row] & ~near
            enough = rest.sum() >= (1 - MOST) * masks.usable[row].sum()
            if enough and not _steps(sweeps, masks, noise, row, rest, hump):
                mask[row] |= near & masks.usable[row]
                if abs(size) > largest:
                    largest = abs(size)
                    factor[row] = np.exp(np.clip(size, -LARGEST, LARGEST))
                    place[row] = sweeps.axis[centre]
    return found


@dataclass(frozen=True, eq=False)
class _Filter:
    """Outputs of the matched filters for k sweeps, each (widths, k, n)."""

    size: Array  # relative change of the current
    score: Array  # in standard deviations of white noise

    @classmethod
    def of(cls, sweeps: SweepSet, masks: Masks, noise: NoiseModel, fits: Fits, residual: Array, rows: Rows) -> _Filter:
        u, span = engine.scaled_height(sweeps.axis)
        signal = fits.amplitude[rows, None] * np.exp(-fits.decay[rows, None] * span * u)
        column = np.where(masks.usable[rows], signal / np.sqrt(noise.of(rows).variance(signal)), 0.0)
        product = column * np.nan_to_num(residual[rows].astype(float))
        sizes, scores = [], []
        for width in _widths(sweeps.axis.size):
            kernel = np.exp(-0.5 * (np.arange(-3 * width, 3 * width + 1) / width) ** 2)
            top = convolve1d(product, kernel, mode="constant")
            information = np.maximum(convolve1d(column**2, kernel**2, mode="constant"), 1e-300)
            sizes.append(top / information)
            scores.append(top / np.sqrt(information))
        return cls(np.array(sizes), np.array(scores))


def _widths(points: int) -> list[int]:
    return [max(2, round(share * points)) for share in WIDTHS]


def _peaks(seen: _Filter, number: int, usual: _Filter, usable: Mask) -> list[tuple[int, int, float]]:
    """Centre, width (samples) and relative size of the humps of one sweep, clearest first, apart from each other."""
    shared = np.median(usual.score, axis=1) * (usual.score.shape[1] >= 5)
    score = seen.score[:, number] - shared
    scale = np.maximum(MAD_SCALE * np.median(np.abs(usual.score - np.expand_dims(shared, 1)), axis=(1, 2)), 1.0)
    # The sweep's own scatter counts, but only so far: a hump spoils the fit of much of its sweep.
    own = np.clip(MAD_SCALE * np.median(np.abs(score), axis=1), scale, OWN * scale)
    clear = np.where(np.abs(seen.size[:, number]) > LEAST, np.abs(score) / own[:, None], 0.0)
    ends = np.flatnonzero(usable)[[0, -1]]
    places = np.arange(usable.size)
    for number_of_width, width in enumerate(_widths(usable.size)):  # at an end it may as well be a bend
        clear[number_of_width, (places < ends[0] + 2 * width) | (places > ends[1] - 2 * width)] = 0.0
    found: list[tuple[int, int, float]] = []
    while len(found) < MOST_HUMPS and clear.max() > CLEAR:
        which, centre = (int(i) for i in np.unravel_index(np.argmax(clear), clear.shape))
        width = _widths(usable.size)[which]
        found.append((centre, width, float(seen.size[which, number, centre])))
        clear[:, np.abs(places - centre) <= 2 * REACH * width] = 0.0
    return found


def _steps(
    sweeps: SweepSet, masks: Masks, noise: NoiseModel, row: int, usable: Mask, hump: tuple[int, int, float]
) -> bool:
    """Whether the current has stepped where the hump is: a fit of what is left is better with a step there."""
    rows: Any = np.array([row])
    samples = replace(masks.samples(sweeps, rows), usable=usable[None].astype(float))
    own = take(noise.pooled, noise.group[rows])
    fitted = engine.fit(engine.start(samples), samples, own.variance)
    if not fitted.curve.good[0]:
        return True
    white = Whitened.of(samples, fitted, own)
    step = white.amplitude[0] * (np.arange(usable.size) > hump[0])
    q = np.linalg.qr(white.model[:, 0].T)[0]
    step = step - q @ (q.T @ step)
    information = float(step @ step)
    size = float(step @ white.residual[0]) / max(information, 1e-300)
    return abs(size) > STEP_SHARE * abs(hump[2]) and abs(size) * np.sqrt(information) > STEP_CLEAR
