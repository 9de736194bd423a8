"""Barrier heights from a modulation of the height: the lock-in channel of I(z)."""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy import special

from sts.barrier.blocks import Array


def decay_from_modulation(ratio: Any, modulation_height_rms_m: float) -> Array:
    """2κ [1/m] from the ratio of the first harmonic (rms) to the mean tunnelling current, any shape.

    Parameters
    ----------
    ratio : array_like
        rms of the first harmonic over the mean current, both as measured.
    modulation_height_rms_m : float
        Rms amplitude of the height [m], at that frequency: the scanner's gain there is not that of slow ramps.

    Raises
    ------
    ValueError
        If the amplitude is not positive.

    Notes
    -----
    The Fourier series of exp(-x cos ωt) has the mean I0(x) and the first harmonic 2 I1(x) (M. Abramowitz, I. Stegun,
    Handbook of Mathematical Functions, 9.6.34), so that ratio = √2 I1(x)/I0(x) with x = 2κ√2 dz_rms; for small x it is
    2κ dz_rms (G. Binnig et al., Surf. Sci. 126, 236 (1983)). NaN where the ratio is above what any x gives (√2).
    """
    if not modulation_height_rms_m > 0:
        raise ValueError(f"The modulation of the height is {modulation_height_rms_m:g} m rms; it must be positive.")
    wanted = np.abs(np.asarray(ratio, float)) / np.sqrt(2)
    with np.errstate(invalid="ignore", divide="ignore"):
        x = np.where(wanted < 1, 2 * wanted / (1 - wanted**2), np.nan)  # from above; right at both ends
        for _ in range(30):
            found = special.ive(1, x) / special.ive(0, x)
            x = x - (found - wanted) / np.maximum(1 - found * (1 / x + found), 1e-12)
        return np.asarray(np.where(wanted == 0, 0.0, x) / (np.sqrt(2) * modulation_height_rms_m))


def fit_modulation(
    lockin: Array, current: Array, signal: Array, weight: Array, *, modulation_height_rms_m: float
) -> tuple[Array, Array]:
    """2κ [1/m] and its standard error from a lock-in channel that follows the tunnelling current, each shape (m,).

    Parameters
    ----------
    lockin : ndarray, shape (m, n)
        dI/dz [A/m], of either sign; or rms of the first harmonic [A], if `modulation_height_rms_m` is given.
    current, signal, weight : ndarray, shape (m, n)
        Current as measured [A], fitted tunnelling current [A], weight of each sample, 0 where masked.
    modulation_height_rms_m : float
        NaN for a channel that is dI/dz already.

    Raises
    ------
    ValueError
        If the amplitude is zero or negative.

    Notes
    -----
    dI/dz = -2κ I: a straight line through lock-in against current, whose intercept takes the offsets of both. Both are
    noisy, so the fitted current serves as the instrument (M. G. Kendall, A. Stuart, The Advanced Theory of Statistics 2,
    chapter 29): slope = Σ w S L / Σ w S I with S centred. The standard error is from the scatter about the line
    (J. G. MacKinnon, H. White, J. Econometrics 29, 305 (1985)).
    """
    usable = np.isfinite(lockin) & (weight > 0)
    weight = np.where(usable, weight, 0.0)
    total = weight.sum(axis=1, keepdims=True)

    def centred(values: Array) -> Array:
        known = np.where(usable, values, 0.0)
        return np.asarray(known - np.vecdot(weight, known)[:, None] / total)

    with np.errstate(invalid="ignore", divide="ignore"):
        x, y, s = centred(current), centred(lockin), centred(signal)
        power = np.vecdot(weight * s, x)
        slope = np.vecdot(weight * s, y) / power
        rest = y - slope[:, None] * x
        # The lock-in's noise need not follow that of the current: each sample's own scatter counts, as it would be
        # if the line had been drawn without it.
        pull = weight * (s * x / power[:, None] + 1 / total)
        product = weight * s * rest / (1 - pull)
        error = np.where(usable.sum(axis=1) > 2, np.sqrt(np.vecdot(product, product)) / np.abs(power), np.nan)
        if not np.isfinite(modulation_height_rms_m):
            return np.abs(slope), error
        decay = decay_from_modulation(slope, modulation_height_rms_m)
        x, w = np.sqrt(2) * modulation_height_rms_m * decay, np.abs(slope) / np.sqrt(2)
        return decay, error / (2 * modulation_height_rms_m * (1 - w * (1 / x + w)))
