"""Whether a logbook column holds states of tips (before, after), and the comparison of these from the sweeps that are used."""

from __future__ import annotations

import numpy as np
import pandas as pd

from sts.barrier import slopes_by_repeat
from sts.comparing.averages import MEAN
from sts.comparing.calibration import Calibration
from sts.comparing.paired import DAY, ORDER, StateComparison, compare_states, state_words
from sts.curves.averaging import codes_of
from sts.curves.replicates import REPLICATE
from sts.provenance import Order

MOST_STATES = 8  # more values are no states that several sites share
_NOT_OWN = ("unassigned", "channel", REPLICATE)


def states_of_tips(
    sweeps: pd.DataFrame,
    by: str,
    order: Order,
    *,
    confidence: float = 0.95,
    calibration: Calibration | None = None,
    average: str = MEAN,
) -> StateComparison | None:
    """Compare tips with themselves where a column says in what state each was; None where it says one thing of each tip.

    Parameters
    ----------
    sweeps : pandas.DataFrame
        Those that stand for a tip, as `sts.barrier.BarrierFit.table` has them, with `used` as decided.
    by : str
        The column.
    order : Order
        In which the sweeps were measured; states stand in that order.
    confidence, calibration, average
        As in `compare_states`.

    Raises
    ------
    ValueError
        If the column differs within tips and yet holds no states of them; the text says what it holds and what would do.
    """
    if by not in sweeps:
        return None
    rows = sweeps[sweeps["used"].astype(bool) & np.isfinite(sweeps["decay_per_nm"].to_numpy(float))]
    said = state_words(rows[by])
    values = {str(tip): list(dict.fromkeys(own)) for tip, own in said.groupby(rows["tip"], sort=False)}
    if all(len(own) == 1 for own in values.values()):
        return None  # one value per tip: groups of tips, or a reason why not
    _usable(rows, by, said, values)
    known = said != ""
    rows, said = rows[known], said[known]
    place = rows["sweep"].map({name: k for k, name in enumerate(order.names)})
    rows = rows.assign(**{by: said, ORDER: place}).sort_values(ORDER, kind="stable").reset_index(drop=True)
    repeats = by_repeat(rows, by)
    if not order.told:
        repeats = repeats.drop(columns=ORDER)
    found = compare_states(repeats, by, confidence=confidence, calibration=calibration, average=average)
    notes = [] if known.all() else [f"{int((~known).sum())} of {len(known)} sweeps have no entry in '{by}': left out."]
    if not order.told:
        notes.append(f"No clock tells which state came first: they stand {order.words}.")
    if not np.isfinite(found.changes["ratio_low"].to_numpy(float)).any():
        notes.append(
            "One site only in a state of each tip: ratios have no interval. Measure three sites or more in each state, the same "
            "ones if you can come back to them, and name them."
        )
    return StateComparison(found.by, found.states, found.tips, found.changes, (*notes, *found.notes))


def by_repeat(sweeps: pd.DataFrame, by: str) -> pd.DataFrame:
    """The slopes by repeat where the first repeat of a site before and the first after are two.

    Parameters
    ----------
    sweeps : pandas.DataFrame
        As for `states_of_tips`.
    by : str
        Column with the state.
    """
    if REPLICATE in sweeps:
        sweeps = sweeps.assign(**{REPLICATE: codes_of(sweeps[REPLICATE], sweeps[by])})
    return slopes_by_repeat(sweeps)


def _usable(rows: pd.DataFrame, by: str, said: pd.Series, values: dict[str, list[str]]) -> None:
    """Say what stands in the way where a column cannot hold states of tips."""
    names = list(rows.columns)
    own = [str(c) for c in (*names[names.index("range_nm") + 1 :], DAY) if c not in _NOT_OWN]
    wanted = (
        "To compare a tip with itself, say in the logbook, for each file, in what state its tip was: a column such as 'state' "
        "with the words before and after, several sites with each word. Then: sts annotate SESSION --logbook FILE."
    )
    if by not in own:
        others = f" Columns of the logbook: {', '.join(own)}." if own else ""
        raise ValueError(f"'{by}' is a label or a result of single sweeps, not a state of tips.{others} {wanted}")
    states = [state for state in dict.fromkeys(said) if state]
    if len(states) > MOST_STATES:
        raise ValueError(
            f"'{by}' has {len(states)} different values in {len(rows)} sweeps ({', '.join(states[:3])} ...); states are up to "
            f"{MOST_STATES} words that several sites share. {wanted}"
        )
    if not any(len([state for state in own if state]) > 1 for own in values.values()):
        held = [f"{tip} ({', '.join(state or 'no entry' for state in own)})" for tip, own in values.items()]
        more = f" and {len(held) - 6} more" if len(held) > 6 else ""
        raise ValueError(
            f"'{by}' has no tip with two states, and not one value for each tip either: {', '.join(held[:6])}{more}. Fill in what "
            f"is missing to compare groups of tips. {wanted}"
        )
