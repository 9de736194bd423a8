"""Samples at either end of a ramp at which the current had not yet come down to it: the feedback was still on."""

from __future__ import annotations

import numpy as np

from sts.barrier import exponential as engine
from sts.barrier.blocks import Mask
from sts.barrier.exponential import Samples
from sts.quantities import MAD_SCALE

MOST_SETTLING = 5  # samples at an end that may belong to the set-point and not to the ramp
NEAR = 25  # samples beside them that say how large noise is there
CLEAR = 8.0  # times that noise
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
    current beside it and by `CLEAR` times the noise beside it (scaled MAD); so do all between it and the end. Currents
    *below* the curve are no settling: saturation and a lag look like that, and are found as such. Common practice, no source.
    """
    m, n = samples.current.shape
    mask = np.zeros((m, n), bool)
    if n < 2 * (MOST_SETTLING + NEAR):
        return mask
    inner = samples.usable.copy()
    inner[:, :MOST_SETTLING] = inner[:, n - MOST_SETTLING :] = 0
    curve = engine.start(Samples(samples.u, samples.current, inner))
    residual = samples.current - curve.signal(samples.u) - curve.offset[:, None]
    sign = np.sign(curve.amplitude)[:, None]
    near = slice(MOST_SETTLING, MOST_SETTLING + NEAR)
    for turn in (slice(None), slice(None, None, -1)):  # from either end
        above, current = sign * residual[:, turn], np.abs(samples.current[:, turn])
        level = np.median(above[:, near], axis=1)[:, None]
        noise = MAD_SCALE * np.median(np.abs(above[:, near] - level), axis=1)[:, None]
        beside = np.median(current[:, MOST_SETTLING : 2 * MOST_SETTLING], axis=1)[:, None]
        off = above[:, :MOST_SETTLING] - level > np.maximum(CLEAR * noise, LEAST * beside)
        off &= (samples.usable[:, turn][:, :MOST_SETTLING] > 0) & curve.good[:, None]
        last = np.where(off.any(axis=1), MOST_SETTLING - np.argmax(off[:, ::-1], axis=1), 0)
        mask |= (np.arange(n) < last[:, None])[:, turn]
    return mask & (samples.usable > 0)
