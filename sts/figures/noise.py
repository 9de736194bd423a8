"""Figure of the noise of the current."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from matplotlib.axes import Axes

from sts.figures.marks import Look, draw_band, draw_line
from sts.figures.style import given_or_new, legend, log_ticks
from sts.figures.styled import styled
from sts.quantities import scale_for, with_prefix

if TYPE_CHECKING:
    from sts.spectra.noise_spectrum import NoiseSpectrum


@styled
def plot_noise_spectrum(noise: NoiseSpectrum, *, ax: Axes | None = None) -> Axes:
    """Amplitude density of the noise of the current against frequency, with its 95 % interval.

    Parameters
    ----------
    noise : NoiseSpectrum
        Of `sts.spectra.noise_spectrum`.
    ax : matplotlib.axes.Axes, optional
        Where to draw; a new figure if not given.
    """
    ax = given_or_new(ax)
    factor, unit = scale_for(noise.density, "A/√Hz")
    x, y = noise.frequency_Hz, noise.density * factor
    draw_band(ax, x, noise.low * factor, noise.high * factor, series="95 % interval", label="95 % interval")
    draw_line(ax, x, y, series="noise", look=Look(width=0.8),
              label=f"n = {noise.sweeps} sweeps, {with_prefix(noise.rms_A, 'A', 2)} rms")  # fmt: skip
    ax.set_xscale("log")
    ax.set_yscale("log")
    ax.set_xlim(x[0], x[-1])
    ax.set_ylim(0.7 * float(np.min(noise.low * factor)), 1.5 * float(np.max(noise.high * factor)))
    log_ticks(ax.xaxis)
    log_ticks(ax.yaxis)
    ax.set_xlabel("Frequency (Hz)")
    ax.set_ylabel(f"Noise of the current ({unit})")
    legend(ax)
    return ax
