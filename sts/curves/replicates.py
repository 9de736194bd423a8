"""What one repeat is: the one definition that bands, gaps, offsets, directions and barriers share."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sts.curves.averaging import codes_of, group_codes
from sts.sweeps import DIRECTIONS, SweepSet

REPLICATE = "replicate"  # column with the number of the repeat, where it was settled before
PLACE = (
    "sample", "tip", "unassigned", "channel", "day", "site", "setpoint_current_A", "setpoint_bias_V", "bias_V",
)  # fmt: skip


def direction_signs(table: pd.DataFrame, kind: str) -> NDArray[np.int64]:
    """+1 for up (or retract), -1 for down (or approach), 0 for unknown, shape (m,).

    Parameters
    ----------
    table : pandas.DataFrame
        Of m sweeps.
    kind : str
        ``"iv"`` or ``"iz"``.
    """
    first, second = DIRECTIONS[kind]
    direction = table["direction"].to_numpy(object)
    return np.where(direction == first, 1, np.where(direction == second, -1, 0)).astype(np.int64)


def repeat_codes(table: pd.DataFrame, kind: str) -> NDArray[np.int64]:
    """Which repeat each sweep belongs to, numbered in order of appearance.

    Parameters
    ----------
    table : pandas.DataFrame
        m sweeps of one kind, with `direction`, `repeat` and what is known of `PLACE`. A column `replicate` settles it.
    kind : str

    Returns
    -------
    numpy.ndarray, shape (m,)

    Notes
    -----
    Up and down (retract and approach) with the same place and number are one repeat; two in one direction with the same
    number are two. Where no number is recorded, the k-th sweep up and the k-th sweep down are one repeat: of their file
    where that holds both directions, else of the place.
    """
    if REPLICATE in table:
        return group_codes(table, [REPLICATE])
    place = group_codes(table, [column for column in PLACE if column in table])
    sign, number = direction_signs(table, kind), table["repeat"].to_numpy(float)
    unnumbered = np.isnan(number)
    scope = np.zeros(len(table), np.int64)
    if "source" in table:
        file = codes_of(table["source"])
        here = codes_of(place, file)
        both = np.logical_and(*(np.bincount(here, sign == way)[here] > 0 for way in (1, -1)))
        scope = np.where(both & unnumbered & (table["source"] != "").to_numpy(bool), file + 1, 0)
    order = _number_within(codes_of(place, scope, sign))
    repeat = codes_of(place, scope, np.where(unnumbered, -1.0 - order, number))  # negative: apart from recorded numbers
    return codes_of(repeat, _number_within(codes_of(repeat, sign)))


def _number_within(codes: NDArray[np.int64]) -> NDArray[np.int64]:
    """How many of its group come before each row."""
    order = np.argsort(codes, kind="stable")
    place = np.arange(codes.size)
    first = np.flatnonzero(np.diff(codes[order], prepend=-1))
    within = np.empty_like(codes)
    within[order] = place - np.repeat(place[first], np.diff(first, append=codes.size))
    return within


def repeats_among(table: pd.DataFrame, kind: str, rows: NDArray[np.bool_]) -> NDArray[np.int64]:
    """The repeats of the sweeps in `rows` (m,), settled among all of the table and numbered without gaps.

    Parameters
    ----------
    table : pandas.DataFrame
        Of m sweeps.
    kind : str
        ``"iv"`` or ``"iz"``.
    rows : numpy.ndarray of bool, shape (m,)
        The sweeps to look at.
    """
    return np.asarray(np.unique(repeat_codes(table, kind)[rows], return_inverse=True)[1], np.int64)


def with_replicates(sets: Sequence[SweepSet]) -> list[SweepSet]:
    """The sets with the repeat of each sweep in a column, settled before any sweep is left out.

    Parameters
    ----------
    sets : sequence of SweepSet
    """
    result = list(sets)
    for kind in DIRECTIONS:
        places = [i for i, part in enumerate(sets) if part.kind == kind]
        if not places:
            continue
        codes = repeat_codes(pd.concat([sets[i].table for i in places], ignore_index=True), kind)
        for i, own in zip(places, np.split(codes, np.cumsum([len(sets[i]) for i in places])[:-1]), strict=True):
            result[i] = sets[i].with_table(sets[i].table.assign(**{REPLICATE: own}))
    return result
