"""The zero of the current that I(V) sweeps show at zero bias: what an I(z) sweep of the same amplifier range needs to know."""

from __future__ import annotations

from collections.abc import Collection, Sequence

import numpy as np
import pandas as pd

from sts.sweeps import SweepSet

NEAREST = 7  # samples around zero bias that a straight line is laid through
BIAS_U = 2e-3  # standard uncertainty of the zero of the bias [V]: common practice, no source


def zero_currents(sets: Sequence[SweepSet], omitted: Collection[str] = ()) -> pd.DataFrame:
    """The current at zero bias of each amplifier range.

    Parameters
    ----------
    sets : sequence of SweepSet
        Of kind ``"iv"``.
    omitted : collection of str
        Names of sweeps that do not count.

    Returns
    -------
    pandas.DataFrame
        One row per range: `full_scale_A` (NaN: not recorded), `current_A`, `se_A`, `sweeps`. Only ranges in which as many
        sweeps go up as down: displacement current and lag cancel in their mean and not in one direction.

    Notes
    -----
    A straight line through the `NEAREST` samples around zero bias. The uncertainty is that of the mean over sweeps and, times the
    conductance there, `BIAS_U` of the bias.
    """
    rows = []
    for part in sets:
        if part.axis[0] >= 0 or part.axis[-1] <= 0 or part.axis.size < NEAREST:
            continue
        near = np.sort(np.argsort(np.abs(part.axis))[:NEAREST])
        line = np.column_stack([np.ones(NEAREST), part.axis[near]])
        offset, slope = np.linalg.pinv(line) @ part.current[:, near].T  # a sweep with holes there spoils only itself
        table = part.table[["sweep", "direction", "full_scale_A"]]
        rows.append(table.assign(offset=offset, slope=slope))
    if not rows:
        return pd.DataFrame(columns=["full_scale_A", "current_A", "se_A", "sweeps"])
    every = pd.concat(rows, ignore_index=True)
    every = every[~every["sweep"].isin(set(omitted)) & np.isfinite(every["offset"]) & np.isfinite(every["slope"])]
    found = []
    for scale, group in every.groupby("full_scale_A", dropna=False):
        up, down = (group.loc[group["direction"] == d, "offset"].to_numpy(float) for d in ("up", "down"))
        if up.size < 2 or up.size != down.size:
            continue
        pairs = (up + down) / 2
        se = np.hypot(np.std(pairs, ddof=1) / np.sqrt(pairs.size), BIAS_U * np.median(np.abs(group["slope"])))
        found.append({"full_scale_A": scale, "current_A": pairs.mean(), "se_A": float(se), "sweeps": len(group)})
    return pd.DataFrame(found, columns=["full_scale_A", "current_A", "se_A", "sweeps"])
