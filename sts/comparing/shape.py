"""Bends that the sweeps of a tip share: what its interval must hold, and what may be quoted of it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

LARGER = 1.25  # than the halves of the window tell: half of a smooth bend is averaged away (scripts/studies/bends.py)
_ENDS = (("barrier_low_eV", "barrier_high_eV"), ("total_low_eV", "total_high_eV"))


def with_shape(table: pd.DataFrame, bends: pd.DataFrame) -> pd.DataFrame:
    """Tips or sites whose intervals hold the bend that the sweeps of the tip share.

    Parameters
    ----------
    table : pandas.DataFrame
        `sample`, `tip`, `note`, `barrier_low_eV`, `barrier_high_eV` and, where there are such, `total_low_eV` and
        `total_high_eV`.
    bends : pandas.DataFrame
        `sample`, `tip`, `near_percent`, `far_percent`: by how much the barrier of either half of the window differs.

    Notes
    -----
    The lower end goes down with the half that reads least, the upper end up with the one that reads most, `LARGER` times as much:
    which half is the barrier that is meant cannot be told from the sweeps (common practice, no source; by simulation).
    """
    if bends.empty:
        return table
    halves = bends.assign(
        _low=bends[["near_percent", "far_percent"]].min(axis=1),
        _high=bends[["near_percent", "far_percent"]].max(axis=1),
    )
    each = halves.groupby(["sample", "tip"], dropna=False).agg({"_low": "min", "_high": "max"})
    own = each.reindex(pd.MultiIndex.from_frame(table[["sample", "tip"]]))
    bent = own["_low"].notna().to_numpy()
    low, high = (
        1 + LARGER * np.nan_to_num(part) / 100 for part in (np.minimum(own["_low"], 0), np.maximum(own["_high"], 0))
    )
    stretched = {
        name: table[name] * factor
        for ends in _ENDS
        for name, factor in zip(ends, (np.maximum(low, 0.0), high), strict=True)
        if name in table
    }
    words = "the interval holds a bend that its sweeps share"
    notes = [
        f"{note}; {words}" if note and of else words if of else note
        for note, of in zip(table["note"], bent, strict=True)
    ]
    return table.assign(**stretched, note=notes)


def window_words(bend: Mapping[Any, Any]) -> str:
    """What may be quoted of a tip whose sweeps share a bend.

    Parameters
    ----------
    bend : mapping
        `shape`, `straight_from_nm` (NaN where no window is straight).
    """
    from_nm = float(bend["straight_from_nm"])
    if np.isfinite(from_nm):
        return f"its mean sweep {bend['shape']}: quote it only from {from_nm:.2f} nm on (barrier.fit_from_nm)"
    return f"its mean sweep {bend['shape']} and no window of a decade is straight: quote no single number"
