"""What a bench adds to the ideal current: offsets, noise, lag, limits, jumps; in air also settling, humps, ripple."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

import numpy as np

from ..quantities import ELEMENTARY_CHARGE

_SIGNED = ("current_offset_A", "bias_offset_V", "drift_m_per_s", "lockin_gain", "lockin_offset_S", "transient_A",
           "offset_drift_A", "hysteresis", "creep")  # fmt: skip
_POSITIVE = ("full_scale_A", "jump_factor", "settling_factor", "hump_width", "ripple_period_s", "transient_s",
             "gain_loss_at_A", "second_range_gain", "creep_start")  # fmt: skip
_SHARES = ("jump_share", "hump_share")


@dataclass(frozen=True)
class Bench:
    """The faults of a bench; every one is off by default."""

    white_A: float = 0.0  # standard deviation of the electronics' white noise, per sample
    filter_s: float = 0.0  # time constant of a single pole which that noise has passed, its standard deviation kept
    shot_bandwidth_Hz: float = 0.0  # bandwidth in which shot noise 2 e I B enters
    gap_noise: float = 0.0  # standard deviation of the relative noise of the gap
    gap_noise_slope: float = 0.0  # its power spectrum goes as 1/f to this power: 0 white, 1 pink
    gap_white: float = 0.0  # standard deviation of white relative noise of the gap beside that
    setpoint_scatter: float = 0.0  # standard deviation of ln I from repeat to repeat
    current_offset_A: float = 0.0
    offset_scatter_A: float = 0.0  # standard deviation of the offset from sweep to sweep
    offset_drift_A: float = (
        0.0  # by which the offset grows from the start to the end of each sweep, in proportion to time
    )
    bias_offset_V: float = 0.0
    capacitance_F: float = 0.0  # between tip and sample: displacement current C dV/dt
    lag_s: float = 0.0  # time constant of the amplifier's single pole
    drift_m_per_s: float = 0.0  # of the gap, positive when it opens by itself
    hysteresis: float = 0.0  # width of the piezo's loop as a share of the ramp, positive where it lags behind
    creep: float = (
        0.0  # share of the ramp by which the piezo moves further in its direction by the end, most of it at first
    )
    creep_start: float = 0.01  # share of the ramp's time after which that creep goes as the logarithm of time
    gain_loss: float = (
        0.0  # share of a current of `gain_loss_at_A` that an amplifier that saturates gives too little of
    )
    gain_loss_at_A: float = 1e-9  # the share grows in proportion to the current
    second_range_A: float = 0.0  # above this current the amplifier switches to a range whose gain is wrong; 0: none
    second_range_gain: float = 1.0  # by this factor
    full_scale_A: float = np.inf  # the output clips here
    converter_step_A: float = 0.0  # rounding of the output
    jump_factor: float = 1.0  # the current is multiplied by this from some point on
    jump_share: float = 0.0  # share of the sweeps that jump, in the middle four fifths of their time
    settling_samples: float = 0.0  # a sweep begins with 0 to so many samples still at the set-point (all as likely)
    settling_factor: float = 20.0  # the current there, over that at the ramp's first point
    hump_share: float = (
        0.0  # share of the sweeps with one slow mechanical hump, in the middle four fifths of their time
    )
    hump_size: float = 0.3  # its height in ln I, up or down
    hump_width: float = 0.04  # standard deviation of its Gaussian, as a share of the sweep's time
    ripple_A: float = 0.0  # amplitude of a sinusoid in the current, its phase by chance in each sweep
    ripple_period_s: float = 0.02  # of mains at 50 Hz
    transient_A: float = 0.0  # added at the start of a sweep, and relaxing exponentially from there
    transient_s: float = 0.05  # time constant of that
    lockin_noise_S: float = 0.0  # standard deviation of the white noise of the lock-in channel, per sample
    lockin_gain: float = 1.0  # what the lock-in channel says over what it should: 1.41 for peak taken for rms
    lockin_offset_S: float = 0.0  # pick-up in the lock-in channel

    def __post_init__(self) -> None:
        for field in fields(self):
            value = getattr(self, field.name)
            signed = field.name in _SIGNED
            positive = field.name in _POSITIVE
            if not (signed or value > 0 or (value == 0 and not positive)) or value != value:
                limit = "a number" if signed else "above 0" if positive else "0 or more"
                raise ValueError(f"The bench's {field.name} is {value}; it must be {limit}.")
            if field.name in _SHARES and value > 1:
                raise ValueError(f"The bench's {field.name} is {value}; it is a share of the sweeps, at most 1.")
        if self.settling_samples != int(self.settling_samples):
            raise ValueError(f"The bench's settling_samples is {self.settling_samples}; it must be a whole number.")


@dataclass(frozen=True, eq=False)
class Drawn:
    """What chance decided for each of m sweeps, in the order of time: the truth about faults that not all sweeps have."""

    jump_at: np.ndarray  # (m,) sample from which a sweep has jumped, -1 for none
    settling: np.ndarray  # (m,) samples at the start still at the set-point
    hump_at: np.ndarray  # (m,) middle of the hump as a share of the sweep's time, NaN for none
    hump_ln: np.ndarray  # (m,) its height in ln I with its sign, 0 for none
    offset_A: np.ndarray  # (m,) offset of the current [A]
    ripple_phase: np.ndarray  # (m,) [rad]


def coloured_noise(generator: np.random.Generator, shape: tuple[int, int], slope: float) -> np.ndarray:
    """Noise of unit variance whose power spectrum goes as 1/f**slope, each row by itself.

    Parameters
    ----------
    generator : numpy.random.Generator
    shape : (int, int)
        Rows m and samples n.
    slope : float
        0 white, 1 pink.

    Notes
    -----
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
    setpoint: np.ndarray | None = None,
    drawn: Drawn | None = None,
) -> tuple[np.ndarray, np.ndarray]:
    """Add the faults of a bench to ideal currents, sampled in the order of time.

    Parameters
    ----------
    current : ndarray, shape (m, n)
        Ideal tunnelling current [A]; columns follow each other in time.
    bench : Bench
        `bias_offset_V`, `drift_m_per_s`, `hysteresis` and `creep` act on the junction itself and are applied by the caller.
    generator : numpy.random.Generator
    time_step_s : float
        Between samples [s]; needed for lag, ripple and start transient.
    ramp_V_per_s : scalar or ndarray, shape (m, n)
        dV/dt for the displacement current. Where it is not 0 the ramp is taken to have begun before the first sample,
        so that displacement current and lag are both there from the start; else (heights) all rests until then.
    setpoint : ndarray, shape (m,), optional
        Factor on the junction's current where sweeps share a set-point; drawn for every row if not given.
    drawn : Drawn, optional
        What `draw_faults` has drawn; drawn here if not given.

    Returns
    -------
    (ndarray, ndarray)
        The measured current (m, n), and the position of the jump (m,), -1 where there is none.

    Notes
    -----
    Order as in a bench: the junction (set-point, humps, jumps, settling, gap noise, shot noise), the stray capacitance,
    the amplifier (lag, gain, range, offset, transient, ripple, white noise, limit), the converter. Humps, settling, ripple and
    transient are our own invention of what benches in air show (common practice, no source).
    """
    m, n = current.shape
    factor = draw_setpoints(generator, bench, m) if setpoint is None else setpoint
    drawn = draw_faults(generator, bench, m, n) if drawn is None else drawn
    signal = _junction(current * factor[:, None], bench, drawn)
    if bench.gap_noise:
        signal = signal * (1 + bench.gap_noise * coloured_noise(generator, (m, n), bench.gap_noise_slope))
    if bench.gap_white:
        signal = signal * (1 + bench.gap_white * generator.standard_normal((m, n)))
    if bench.shot_bandwidth_Hz:
        shot = np.sqrt(2 * ELEMENTARY_CHARGE * np.abs(signal) * bench.shot_bandwidth_Hz)
        signal = signal + shot * generator.standard_normal((m, n))
    signal = signal + bench.capacitance_F * np.asarray(ramp_V_per_s)
    if bench.lag_s:
        signal = single_pole(signal, bench.lag_s, time_step_s, ramping=bool(np.any(ramp_V_per_s)))
    if bench.gain_loss:
        signal = signal * (1 - bench.gain_loss * np.abs(signal) / bench.gain_loss_at_A)
    if bench.second_range_A:
        signal = np.where(np.abs(signal) > bench.second_range_A, signal * bench.second_range_gain, signal)
    signal = signal + drawn.offset_A[:, None] + bench.offset_drift_A * np.linspace(0.0, 1.0, n)
    time = time_step_s * np.arange(n)
    if bench.transient_A:
        signal = signal + bench.transient_A * np.exp(-time / bench.transient_s)
    if bench.ripple_A:
        phase = 2 * np.pi * time / bench.ripple_period_s + drawn.ripple_phase[:, None]
        signal = signal + bench.ripple_A * np.sin(phase)
    if bench.white_A:
        signal = signal + bench.white_A * _filtered(generator.standard_normal((m, n)), bench.filter_s, time_step_s)
    signal = np.clip(signal, -bench.full_scale_A, bench.full_scale_A)
    if bench.converter_step_A:
        signal = np.round(signal / bench.converter_step_A) * bench.converter_step_A
    return signal, drawn.jump_at


def _junction(signal: np.ndarray, bench: Bench, drawn: Drawn) -> np.ndarray:
    """Currents (m, n) after what the tip does: humps, then the jump, then what is still at the set-point."""
    n = signal.shape[1]
    if drawn.hump_ln.any():
        share = np.arange(n) / max(n - 1, 1)
        distance = np.nan_to_num(share - drawn.hump_at[:, None]) / bench.hump_width
        signal = signal * np.exp(drawn.hump_ln[:, None] * np.exp(-0.5 * distance**2))
    if (drawn.jump_at >= 0).any():
        after = (np.arange(n) >= drawn.jump_at[:, None]) & (drawn.jump_at >= 0)[:, None]
        signal = np.where(after, signal * bench.jump_factor, signal)
    if drawn.settling.any():
        still = np.arange(n) < drawn.settling[:, None]
        signal = np.where(still, signal[:, :1] * bench.settling_factor, signal)
    return signal


def draw_faults(
    generator: np.random.Generator, bench: Bench, count: int, points: int, *, jump_at: np.ndarray | None = None
) -> Drawn:
    """Draw the faults that not every sweep of a bench has, or not alike; what is off draws nothing.

    Parameters
    ----------
    generator : numpy.random.Generator
    bench : Bench
    count, points : int
        Sweeps m, and samples of each.
    jump_at : ndarray of int, shape (m,), optional
        Sample from which a sweep has jumped, -1 for none: jumps planted by hand. They go before those by chance.
    """
    jumps = np.full(count, -1) if jump_at is None else np.asarray(jump_at)
    if bench.jump_share:
        chosen = np.less(generator.random(count), bench.jump_share)
        place = generator.integers(points // 10, max(points - points // 10, points // 10 + 1), count)
        jumps = np.where(jumps >= 0, jumps, np.where(chosen, place, -1))
    settling = np.zeros(count, int)
    if bench.settling_samples:
        settling = generator.integers(0, int(bench.settling_samples) + 1, count)
    hump_at, hump_ln = np.full(count, np.nan), np.zeros(count)
    if bench.hump_share:
        chosen = np.less(generator.random(count), bench.hump_share)
        hump_at = np.where(chosen, generator.uniform(0.1, 0.9, count), np.nan)
        hump_ln = np.where(chosen, bench.hump_size * generator.choice([-1.0, 1.0], count), 0.0)
    offset = np.full(count, bench.current_offset_A)
    if bench.offset_scatter_A:
        offset = offset + bench.offset_scatter_A * generator.standard_normal(count)
    phase = generator.uniform(0, 2 * np.pi, count) if bench.ripple_A else np.zeros(count)
    return Drawn(jumps, settling, hump_at, hump_ln, offset, phase)


def piezo_error(share: np.ndarray, bench: Bench) -> np.ndarray:
    """How much further than it says the piezo has moved in the direction of a ramp, as a share of the ramp.

    Parameters
    ----------
    share : ndarray, shape (n,)
        Of the ramp's time that has passed.
    bench : Bench
        Its `hysteresis` and `creep`.

    Notes
    -----
    Hysteresis after Rayleigh's law: from where it turns a branch is a parabola, here -2h s (1 - s), and the two are h apart in the
    middle. Creep goes as the logarithm of time (H. Jung and D.-G. Gweon, Rev. Sci. Instrum. 71, 1896 (2000), from memory).
    """
    loop = -2 * bench.hysteresis * share * (1 - share)
    return np.asarray(loop + bench.creep * np.log1p(share / bench.creep_start) / np.log1p(1 / bench.creep_start))


def draw_setpoints(generator: np.random.Generator, bench: Bench, count: int) -> np.ndarray:
    """Log-normal factors (count,) by which the feedback misses the set-point.

    Parameters
    ----------
    generator : numpy.random.Generator
    bench : Bench
        Its `setpoint_scatter` is the standard deviation of their logarithm.
    count : int
    """
    return np.asarray(np.exp(bench.setpoint_scatter * generator.standard_normal(count)))


def _filtered(white: np.ndarray, time_constant_s: float, time_step_s: float) -> np.ndarray:
    """White noise (m, n) after a single pole, of unit variance from the first sample on; as it is at time constant 0."""
    if not time_constant_s:
        return white
    from scipy.signal import lfilter

    keep = np.exp(-time_step_s / time_constant_s)
    new = np.sqrt(1 - keep**2)
    first = white[:, :1]  # stationary: what came before the sweep is in it
    return np.concatenate([first, lfilter([new], [1.0, -keep], white[:, 1:], axis=1, zi=keep * first)[0]], axis=1)


def single_pole(signal: np.ndarray, time_constant_s: float, time_step_s: float, *, ramping: bool) -> np.ndarray:
    """Response of a single pole to a signal that is straight between samples.

    Parameters
    ----------
    signal : ndarray, shape (m, n)
    time_constant_s, time_step_s : float
        Of the pole, and between samples [s].
    ramping : bool
        Whether the signal came to the first sample on a ramp, not from rest.

    Notes
    -----
    Exact for straight segments: a ramp comes out delayed by the time constant. At the first sample the output has
    settled, or is behind by as much as at the end of a long ramp of the first step's slope (`ramping`).
    """
    from scipy.signal import lfilter

    ratio = time_step_s / time_constant_s
    keep = np.exp(-ratio)
    new = 1 - (1 - keep) / ratio  # weight of the newest sample for a straight segment
    old = (1 - keep) - new
    first = signal[:, :1]
    start = first - (signal[:, 1:2] - first) / ratio if ramping else first
    return np.asarray(lfilter([new, old], [1.0, -keep], signal, axis=1, zi=start - new * first)[0])
