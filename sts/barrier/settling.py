"""Samples at either end of a ramp at which the current had not yet come down to it: the feedback was still on."""

from __future__ import annotations

import numpy as np

from sts.barrier import exponential as engine
from sts.barrier.blocks import Mask
from sts.barrier.exponential import Samples
from sts.curves.electronics import find_step
from sts.quantities import MAD_SCALE

MOST_SETTLING = 5  # samples at an end that may belong to the set-point and not to the ramp
NEAR = 25  # samples beside them that say how large noise is there
CLEAR = 8.0  # times that noise
STEPS = 2.0  # and steps of the converter: where the current is less than one, most readings are alike
LEAST = 0.5  # and of the current beside: a feedback that let go late stands far above the ramp


def find_settling(samples: Samples) -> Mask:
    """Mask the samples at the ends that stand above what the rest of the ramp leads up to.

    Parameters
    ----------
    samples : Samples
        Of m sweeps on n heights; saturated samples may still be among them.

    Returns
    -------
    ndarray of bool, shape (m, n)
        At most `MOST_SETTLING` samples at each end; none in sweeps too short to tell.

    Notes
    -----
    An exponential is fitted to the inner samples alone. A sample counts as settling where it exceeds that by `LEAST` of the
    current beside it, by `CLEAR` times the noise beside it (scaled MAD) and by `STEPS` of the converter; so do all between it and
    the end. Currents *below* the curve are no settling: saturation and a lag look like that, and are found as such. Common
    practice, no source.
    """
    m, n = samples.current.shape
    mask = np.zeros((m, n), bool)
    if n < 2 * (MOST_SETTLING + NEAR):
        return mask
    inner = samples.usable.copy()
    inner[:, :MOST_SETTLING] = inner[:, n - MOST_SETTLING :] = 0
    curve = engine.start(Samples(samples.u, samples.current, inner))
    sign = np.sign(curve.amplitude)
    for turn in (slice(None), slice(None, None, -1)):  # from either end
        end = slice(0, MOST_SETTLING + NEAR)
        current, usable = samples.current[:, turn][:, end], samples.usable[:, turn][:, end]
        above = sign[:, None] * (current - curve.signal(samples.u[turn][end]) - curve.offset[:, None])
        beside = LEAST * np.median(np.abs(current[:, MOST_SETTLING : 2 * MOST_SETTLING]), axis=1)
        # The level beside is no lower than the lowest sample there: most sweeps need no closer look.
        highest, lowest = above[:, :MOST_SETTLING].max(axis=1), above[:, MOST_SETTLING:].min(axis=1)
        rows = np.flatnonzero(curve.good & (highest - lowest > beside))
        if not rows.size:
            continue
        above, beside = above[rows], beside[rows, None]
        level = np.median(above[:, MOST_SETTLING:], axis=1)[:, None]
        noise = MAD_SCALE * np.median(np.abs(above[:, MOST_SETTLING:] - level), axis=1)[:, None]
        step = np.nan_to_num(find_step(np.where(samples.usable[rows] > 0, samples.current[rows], np.nan)))[:, None]
        least = np.maximum.reduce([CLEAR * noise, beside, STEPS * step])
        off = (above[:, :MOST_SETTLING] - level > least) & (usable[rows, :MOST_SETTLING] > 0)
        last = np.where(off.any(axis=1), MOST_SETTLING - np.argmax(off[:, ::-1], axis=1), 0)
        mask[rows] |= (np.arange(n) < last[:, None])[:, turn]
    return mask & (samples.usable > 0)
