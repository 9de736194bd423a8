"""What a simulation gives: the sweeps, the truth, and the curves without any fault."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..showing import Shown
from ..sweeps import SweepSet


class _Conductance:
    """The field `conductance`: an array, or what makes it when it is first asked for.

    It takes six integrals a point, and most of what simulates sweeps never looks at it.
    """

    def __get__(self, made: Simulated | None, owner: type) -> np.ndarray | None:
        if made is None:
            return None  # the default of the field
        state = vars(made)
        if callable(state["_conductance"]):
            state["_conductance"] = state["_conductance"]()
        found: np.ndarray | None = state["_conductance"]
        return found

    def __set__(self, made: Simulated, given: np.ndarray | Callable[[], np.ndarray] | None) -> None:
        vars(made)["_conductance"] = given


@dataclass(frozen=True, eq=False, repr=False)
class Simulated(Shown):
    """Sweeps, what is true of them (can be written as JSON), and the curves without any fault.

    Attributes
    ----------
    sweeps : SweepSet
        What the bench recorded.
    truth : dict[str, Any]
        What is true of them; can be written as JSON.
    clean : numpy.ndarray
        Ideal current [A] on the axis: (n,) for I(V), one row per repeat (sweeps, n) for I(z).
    conductance : numpy.ndarray, optional
        (n,) ideal dI/dV [S], for I(V).
    """

    sweeps: SweepSet
    truth: dict[str, Any]
    clean: np.ndarray
    conductance: _Conductance = _Conductance()

    def __getstate__(self) -> dict[str, Any]:
        """With the conductance made: what makes it cannot be pickled."""
        _ = self.conductance
        return vars(self)
