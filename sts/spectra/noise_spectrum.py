"""The spectrum of the noise of the current: what repeats of I(V) at one site and set-point leave when their mean is taken off."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sts.curves.distributions import chi2_quantile
from sts.curves.replicates import direction_signs
from sts.sweeps import SweepSet

FEWEST = 3  # repeats; of fewer the mean takes too much of the noise with it
FEWEST_POINTS = 16


@dataclass(frozen=True, eq=False)
class NoiseSpectrum:
    """Amplitude density of the noise of the current at k frequencies, one side, averaged over sweeps."""

    label: str
    frequency_Hz: NDArray[np.float64]  # (k,)
    density: NDArray[np.float64]  # (k,) [A/√Hz]
    low: NDArray[np.float64]  # (k,) 95 % interval of the average
    high: NDArray[np.float64]
    sweeps: int  # how many were averaged
    rms_A: float  # root mean square of the residuals


def noise_spectrum(
    sets: Sequence[SweepSet], *, used: Collection[str] | None = None, label: str = ""
) -> NoiseSpectrum | None:
    """Noise spectrum of the current over all I(V) sweeps that can tell it; None where none can.

    Parameters
    ----------
    sets : sequence of SweepSet
        Those of I(V) with a known duration and, of one site, set-point and direction, at least three sweeps count. Of
        several rates of sampling the commonest is taken.
    used : collection of str, optional
        Names of the sweeps to use; all, if not given.
    label : str
        What it is called.

    Notes
    -----
    Of each group the mean, scaled to each sweep by least squares (the set-point scatters), is taken off, and a straight
    line; the residual times √(n/(n − 1)) has the noise of one sweep. Periodogram with a Hann window, averaged over
    sweeps: P. D. Welch, IEEE Trans. Audio Electroacoust. 15, 70 (1967), DOI 10.1109/TAU.1967.1161901. Its interval is
    that of a χ² with two degrees of freedom per sweep. Slow drift of the gap, which scales the current, is taken off
    with the level; what it leaves shows at the lowest frequencies.
    """
    parts: dict[tuple[int, float], list[NDArray[np.float64]]] = {}
    for one in sets:
        if one.kind != "iv" or not one.has_current or one.axis.size < FEWEST_POINTS:
            continue
        keep = np.isfinite(one.current).all(axis=1) & np.isfinite(one.number("duration_s"))
        if used is not None:
            keep &= np.isin(one.names, list(used))
        if not keep.any():
            continue
        own = one.select(keep)
        keys = pd.DataFrame({
            "direction": direction_signs(own.table, own.kind), "seconds": own.number("duration_s"),
            **{k: own.table[k].to_numpy() for k in ("sample", "tip", "day", "site", "setpoint_current_A") if k in own.table},
        })  # fmt: skip
        for rows in keys.groupby(list(keys.columns), sort=False, dropna=False).indices.values():
            if len(rows) >= FEWEST:
                seconds = float(keys["seconds"].iloc[rows[0]])
                step = float(f"{seconds / (own.axis.size - 1):.6g}")
                parts.setdefault((own.axis.size, step), []).append(_residuals(own.current[rows]))
    if not parts:
        return None
    (_, step), found = max(parts.items(), key=lambda entry: sum(map(len, entry[1])))
    residual = np.concatenate(found)
    points = residual.shape[1]
    place = np.arange(points) - (points - 1) / 2
    straight = residual - residual.mean(axis=1, keepdims=True) - (residual @ place / (place @ place))[:, None] * place
    window = np.sin(np.pi * np.arange(points) / points) ** 2  # of Hann
    # the first wave is the level, the last has one degree of freedom
    waves = np.fft.rfft(straight * window, axis=1)[:, 1:-1]
    power = np.mean(waves.real**2 + waves.imag**2, axis=0) * (2 * step / float(window @ window))
    frequency = np.asarray(np.fft.rfftfreq(points, step)[1:-1], float)
    freedom = 2 * (len(residual) - len(found))  # a mean of each group was taken off
    low, high = (freedom / float(chi2_quantile(level, freedom)) for level in (0.975, 0.025))
    return NoiseSpectrum(label, frequency, np.sqrt(power), np.sqrt(power * low), np.sqrt(power * high), len(residual),
                         float(np.sqrt(np.mean(residual**2))))  # fmt: skip


def _residuals(current: NDArray[np.float64]) -> NDArray[np.float64]:
    """Sweeps (n, m) of one group less their mean, scaled to each; as large as the noise of one sweep."""
    mean, number = current.mean(axis=0), len(current)
    level = current @ mean / max(float(mean @ mean), np.finfo(float).tiny)
    return np.asarray((current - level[:, None] * mean) * np.sqrt(number / (number - 1)))
