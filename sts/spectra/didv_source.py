"""What dI/dV of a spectrum comes from: the current, or a lock-in channel that the current calibrates."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from sts.curves.smoothing import Asked

CURRENT, LOCKIN = "current", "lock-in"


@dataclass(frozen=True, eq=False)
class DidvSource:
    """What dI/dV of a spectrum comes from, where a lock-in channel was recorded beside the current.

    Attributes
    ----------
    channel : str
        "current", whose derivative it is, or "lock-in".
    why : str
        In words, to follow "since".
    gain, gain_se : float
        dI/dV [S] per unit of the channel, from its integral against the current, and its standard uncertainty.
    zero_S, zero_se_S : float
        dI/dV where the channel reads zero [S]; 0 where it cannot be told from the gain.
    unit : str
        Of the channel.
    numerical, numerical_se : numpy.ndarray, optional
        (n,) derivative of the current and its standard uncertainty [S], where the lock-in stands in its place.
    numerical_as : Asked, optional
        What smoothed that.
    """

    channel: str
    why: str
    gain: float = math.nan
    gain_se: float = math.nan
    zero_S: float = math.nan
    zero_se_S: float = math.nan
    unit: str = ""
    numerical: np.ndarray | None = None
    numerical_se: np.ndarray | None = None
    numerical_as: Asked | None = None
