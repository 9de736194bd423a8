"""What one repeat is: the one definition that bands, gaps, offsets, directions and barriers share."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sts.curves.averaging import group_codes
from sts.sweeps import DIRECTIONS, SweepSet

REPLICATE = "replicate"  # column with the number of the repeat, where it was settled before
PLACE = (
    "sample", "tip", "unassigned", "channel", "site", "setpoint_current_A", "setpoint_bias_V", "bias_V",
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
    place = [column for column in PLACE if column in table]
    frame = table[place].assign(sign=direction_signs(table, kind), repeat=table["repeat"], scope="")
    if "source" in table:
        signs = frame.assign(source=table["source"]).groupby([*place, "source"], dropna=False, sort=False)["sign"]
        both = (signs.transform("max") == 1) & (signs.transform("min") == -1)
        frame["scope"] = table["source"].where(both, "")
    unnumbered = frame["repeat"].isna()
    frame["scope"] = frame["scope"].where(unnumbered, "")
    order = frame.groupby([*place, "scope", "sign"], dropna=False, sort=False).cumcount()
    frame["repeat"] = np.where(unnumbered, -1.0 - order, frame["repeat"])  # negative: apart from recorded numbers
    key = [*place, "scope", "repeat"]
    frame["twice"] = frame.groupby([*key, "sign"], dropna=False, sort=False).cumcount()
    return group_codes(frame, [*key, "twice"])


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
