"""What an answer grows with, sweep by sweep, so that one can tell which way a decision moves it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from sts.barrier.fit import BarrierFit
from sts.spectra.spectrum import Spectrum
from sts.sweeps import SweepSet

POINTS = 32  # of an I(V) sweep that its level is told from
SAME = {
    "iz": ["sample", "tip", "unassigned", "day", "site"],
    "iv": ["sample", "tip", "unassigned", "day", "site", "setpoint_current_A"],
}


def values_of(sets: Sequence[SweepSet], fits: Sequence[BarrierFit]) -> pd.DataFrame:
    """One row per sweep in the order of the sets, as `sts.comparing.by_hand` takes them but for what is used.

    Parameters
    ----------
    sets : sequence of SweepSet
        With the columns `unassigned` and `replicate`.
    fits : sequence of BarrierFit
        Of the I(z) sets, in order.

    Returns
    -------
    pandas.DataFrame
        `sweep`, `kind`, `sample`, `tip`, `place`, `replicate`, `value`: the decay [1/m] of I(z), the median ln|I| of I(V).
    """
    left, parts, places = list(fits), [], 0
    for part in sets:
        value = left.pop(0).fits.decay if part.kind == "iz" else _level(part)
        place = part.table.groupby([c for c in SAME[part.kind] if c in part.table], dropna=False, sort=False).ngroup()
        names = part.table["tip"].where(part.table["tip"] != "", part.table["unassigned"])
        parts.append(
            part.table[["sweep", "sample", "replicate"]].assign(
                kind=part.kind, tip=names, place=place + places, value=value
            )
        )
        places += int(place.max()) + 1
    return pd.concat(parts, ignore_index=True)


def moved_points(rule: Sequence[Spectrum], spectra: Sequence[Spectrum]) -> pd.DataFrame:
    """The points of the spectra that decisions changed, as `sts.comparing.by_hand` takes them.

    Parameters
    ----------
    rule, spectra : sequence of Spectrum
        By rule alone, and under the decisions.

    Returns
    -------
    pandas.DataFrame
        `spectrum`, `quantity`, `low`, `high`, `now`; of the normalised conductance the points that are trusted under both.
    """
    now = {(one.label, one.bias.size): one for one in spectra}
    parts = []
    for by_rule in rule:
        own = now.get((by_rule.label, by_rule.bias.size))
        if own is None or own.sweeps == by_rule.sweeps:
            continue
        trusted = np.where(by_rule.trusted & own.trusted, own.normalised, np.nan)
        for quantity, low, high, values in (
            ("dI/dV", by_rule.didv_low, by_rule.didv_high, own.didv),
            ("(dI/dV)/(I/V)", by_rule.normalised_low, by_rule.normalised_high, trusted),
        ):
            parts.append(
                pd.DataFrame({"spectrum": own.label, "quantity": quantity, "low": low, "high": high, "now": values})
            )
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()


def _level(part: SweepSet) -> np.ndarray:
    """Median of ln|I| over some points (m,); NaN where there is no current."""
    some = np.unique(np.linspace(0, part.axis.size - 1, POINTS).astype(int))
    with np.errstate(divide="ignore", invalid="ignore"):
        logs = np.log(np.abs(part.current[:, some]))
    return pd.DataFrame(logs).median(axis=1).to_numpy(float)
