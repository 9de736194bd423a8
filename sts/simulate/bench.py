"""What a bench adds to the ideal current: offsets, noise, lag, stray capacitance, limits, converter steps, jumps."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from ..quantities import ELEMENTARY_CHARGE


@dataclass(frozen=True)
class Bench:
    """The faults of a bench; every one is off by default."""

    white_A: float = 0.0  # standard deviation of the electronics' white noise, per sample
    shot_bandwidth_Hz: float = 0.0  # bandwidth in which shot noise 2 e I B enters
    gap_noise: float = 0.0  # standard deviation of the relative noise of the gap
    gap_noise_slope: float = 0.0  # its power spectrum goes as 1/f to this power: 0 white, 1 pink
    setpoint_scatter: float = 0.0  # standard deviation of ln I from sweep to sweep
    current_offset_A: float = 0.0
    bias_offset_V: float = 0.0
    capacitance_F: float = 0.0  # between tip and sample: displacement current C dV/dt
    lag_s: float = 0.0  # time constant of the amplifier's single pole
    drift_m_per_s: float = 0.0  # of the gap, positive when it opens by itself
    full_scale_A: float = np.inf  # the output clips here
    converter_step_A: float = 0.0  # rounding of the output
    jump_factor: float = 1.0  # the current is multiplied by this from some point on
    jump_share: float = 0.0  # share of the sweeps that jump


def coloured_noise(generator: np.random.Generator, shape: tuple[int, int], slope: float) -> np.ndarray:
    """Noise (m, n) of unit variance whose power spectrum goes as 1/f**slope, each row by itself.

    Made by filtering white noise in frequency over twice the length (so that the ends do not join), without the
    component at zero frequency, whose power would be infinite.
    """
    if slope == 0:
        return generator.standard_normal(shape)
    m, n = shape
    spectrum = np.fft.rfft(generator.standard_normal((m, 2 * n)), axis=1)
    frequency = np.arange(spectrum.shape[1], dtype=float)
    gain = np.zeros_like(frequency)
    gain[1:] = frequency[1:] ** (-slope / 2)
    power = (2 * np.sum(gain[1:-1] ** 2) + gain[-1] ** 2) / (2 * n)
    return np.asarray(np.fft.irfft(spectrum * gain, n=2 * n, axis=1)[:, :n] / np.sqrt(power))


def apply_bench(
    current: np.ndarray,
    bench: Bench,
    generator: np.random.Generator,
    *,
    time_step_s: float,
    ramp_V_per_s: Any = 0.0,
) -> tuple[np.ndarray, np.ndarray]:
    """Add the faults of a bench to ideal currents, sampled in the order of time.

    Parameters
    ----------
    current : ndarray, shape (m, n)
        Ideal tunnelling current [A]; columns follow each other in time.
    bench : Bench
        `bias_offset_V`, `drift_m_per_s` act on the junction itself and are applied by the caller.
    generator : numpy.random.Generator
    time_step_s : float
        Between samples [s]; needed for lag.
    ramp_V_per_s : scalar or ndarray, shape (m, n)
        dV/dt for the displacement current.

    Returns
    -------
    (ndarray, ndarray)
        The measured current (m, n), and the position of the jump (m,), -1 where there is none.

    Notes
    -----
    Order as in a bench: the junction (scatter of the set-point, jumps, gap noise, shot noise), the stray capacitance,
    the amplifier (lag, offset, white noise, limit), the converter.
    """
    m, n = current.shape
    signal = current * np.exp(bench.setpoint_scatter * generator.standard_normal((m, 1)))
    jumps = np.full(m, -1)
    if bench.jump_share:
        chosen = generator.random(m) < bench.jump_share
        jumps = np.where(chosen, generator.integers(n // 10, max(n - n // 10, n // 10 + 1), m), -1)
        after = (np.arange(n) >= jumps[:, None]) & chosen[:, None]
        signal = np.where(after, signal * bench.jump_factor, signal)
    if bench.gap_noise:
        signal = signal * (1 + bench.gap_noise * coloured_noise(generator, (m, n), bench.gap_noise_slope))
    if bench.shot_bandwidth_Hz:
        shot = np.sqrt(2 * ELEMENTARY_CHARGE * np.abs(signal) * bench.shot_bandwidth_Hz)
        signal = signal + shot * generator.standard_normal((m, n))
    signal = signal + bench.capacitance_F * np.asarray(ramp_V_per_s)
    if bench.lag_s:
        signal = single_pole(signal, bench.lag_s, time_step_s)
    signal = signal + bench.current_offset_A
    if bench.white_A:
        signal = signal + bench.white_A * generator.standard_normal((m, n))
    signal = np.clip(signal, -bench.full_scale_A, bench.full_scale_A)
    if bench.converter_step_A:
        signal = np.round(signal / bench.converter_step_A) * bench.converter_step_A
    return signal, jumps


def single_pole(signal: np.ndarray, time_constant_s: float, time_step_s: float) -> np.ndarray:
    """Response of a single pole to a signal that is straight between samples (m, n), settled at the first one.

    Exact for straight segments: a ramp comes out delayed by the time constant.
    """
    from scipy.signal import lfilter

    ratio = time_step_s / time_constant_s
    keep = np.exp(-ratio)
    new = 1 - (1 - keep) / ratio  # weight of the newest sample for a straight segment
    old = (1 - keep) - new
    numerator, denominator = [new, old], [1.0, -keep]
    start = (signal[:, :1]) * (1 - new)
    return np.asarray(lfilter(numerator, denominator, signal, axis=1, zi=start)[0])
