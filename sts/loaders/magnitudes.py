"""How large and small the numbers of a tunnelling experiment are: beyond it, a unit or a label must be wrong."""

from __future__ import annotations

import numpy as np

# What a tunnelling junction gives: the largest and smallest reach that is believed without a word.
LARGEST_BIAS = 20.0  # V
SMALLEST_BIAS = 1e-7  # V; the thermal width of dI/dV at a millikelvin is 0.3 µV
LARGEST_RAMP = 1e-7  # m; further out there is no tunnelling current
SMALLEST_RAMP = 1e-12  # m
LARGEST_CURRENT = 1e-3  # A
SMALLEST_CURRENT = 1e-15  # A; Johnson noise of 1 GΩ in 1 Hz at 300 K is 4 fA


def implausible(quantity: str, values: np.ndarray) -> str:
    """What is wrong with the size of the values of a bias [V], height [m] or current [A]; "" if nothing is.

    Parameters
    ----------
    values : ndarray
        Any shape; NaN is passed over. All zero is no matter of size.
    """
    low, high = float(np.fmin.reduce(values, axis=None)), float(np.fmax.reduce(values, axis=None))
    if not low <= high or (low == high == 0):
        return ""
    reach = high - low if quantity == "height" else max(abs(low), abs(high))
    most, least, unit, slips = {
        "bias": (LARGEST_BIAS, SMALLEST_BIAS, "V", ("mV labelled V", "V labelled µV")),
        "height": (LARGEST_RAMP, SMALLEST_RAMP, "m", ("nm labelled µm, or pm labelled nm", "m labelled nm")),
        "current": (LARGEST_CURRENT, SMALLEST_CURRENT, "A", ("nA or pA labelled A", "A labelled nA")),
    }.get(quantity, (np.inf, 0.0, "", ("", "")))
    what = "spans" if quantity == "height" else "reaches"
    if reach > most:
        return f"{what} {reach:.3g} {unit}, which no {quantity} of a tunnelling junction does ({slips[0]}?)"
    if 0 < reach < least:
        return f"{what} {reach:.3g} {unit} only, less than any {quantity} of a tunnelling junction ({slips[1]}?)"
    return ""


def plausible(quantity: str, values: np.ndarray) -> bool:
    """Whether the values of a bias, height or current are of a size that can be.

    Parameters
    ----------
    quantity : str
        ``"bias"``, ``"height"`` or ``"current"``.
    values : ndarray
        In SI, any shape.
    """
    return not implausible(quantity, values)


# Values of headers, logbooks and recipes in SI: least, most (both still possible).
RANGES: dict[str, tuple[float, float]] = {
    "temperature_K": (1e-4, 2000.0),
    "setpoint_current_A": (-LARGEST_CURRENT, LARGEST_CURRENT),
    "setpoint_bias_V": (-LARGEST_BIAS, LARGEST_BIAS),
    "bias_V": (-LARGEST_BIAS, LARGEST_BIAS),
    "duration_s": (1e-6, 1e6),
    "full_scale_A": (1e-15, 1.0),
    "modulation_V": (0.0, 5.0),
    "x_m": (-1.0, 1.0),
    "y_m": (-1.0, 1.0),
}  # common practice, no source


def out_of_range(column: str, value: float, unit: str) -> str:
    """Why a value [SI] of a column of the table cannot be; "" if it can.

    Parameters
    ----------
    column : str
        Of the table of sweeps.
    value : float
        In SI.
    unit : str
        The SI unit, for the message.
    """
    least, most = RANGES.get(column, (-np.inf, np.inf))
    if least <= value <= most:
        return ""
    return f"is {value:g} {unit}, beyond what can be ({least:g} to {most:g} {unit}); is the unit right?"
