"""The sweeps of several days: each with its day, I(z) of each day apart, fitted with what that day says of the zero."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from sts.analysis.judged_spectra import zeros_of_current
from sts.barrier.fit import BarrierFit, fit_together
from sts.plan import Plan
from sts.provenance import series_of
from sts.sweeps import SweepSet


def labelled(sets: Sequence[SweepSet], sources: pd.DataFrame, days: Mapping[str, str]) -> list[SweepSet]:
    """The sets with the day of each sweep, and the series of one without a tip, which stands in for a tip nobody named.

    Parameters
    ----------
    sets : sequence of SweepSet
    sources : pandas.DataFrame
        One row per file of the session.
    days : mapping
        The day of each sweep by its name.
    """
    return [
        part.with_table(
            part.table.assign(
                unassigned=np.array(series_of(part.table, sources), object),
                day=np.array([days[name] for name in part.names], object),
            )
        )
        for part in sets
    ]


def split_by_day(sets: Sequence[SweepSet]) -> list[SweepSet]:
    """The sets with the I(z) sweeps of each day apart: noise and the zero of the current are those of a day.

    Parameters
    ----------
    sets : sequence of SweepSet
        With the column `day`.
    """
    found = []
    for part in sets:
        days = part.table["day"].unique() if part.kind == "iz" else ()
        found += [part.select((part.table["day"] == day).to_numpy(bool)) for day in days] if len(days) > 1 else [part]
    return found


def fit_by_day(
    ramps: Sequence[SweepSet], spectra: Sequence[SweepSet], judged: pd.DataFrame, plan: Plan
) -> list[BarrierFit]:
    """The fits of I(z) sets of one day each, those of a day together and with what its I(V) sweeps say of the zero.

    Parameters
    ----------
    ramps, spectra : sequence of SweepSet
        Of kind ``"iz"`` and ``"iv"``, with the column `day`.
    judged : pandas.DataFrame
        The flags of the I(V) sweeps.
    plan : Plan
    """
    days = [part.table["day"].iloc[0] for part in ramps]
    fits: dict[int, BarrierFit] = {}
    for day in dict.fromkeys(days):
        own = [(part, (part.table["day"] == day).to_numpy(bool)) for part in spectra]
        zeros = zeros_of_current([part.select(rows) for part, rows in own if rows.any()], judged, plan)
        places = [i for i, one in enumerate(days) if one == day]
        fits.update(zip(places, fit_together([ramps[i] for i in places], plan, zeros), strict=True))
    return [fits[i] for i in range(len(ramps))]
