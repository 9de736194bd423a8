"""Tips that changed on the way, in lines: page, terminal and notebook say the same."""

from __future__ import annotations

import numpy as np
import pandas as pd

from sts.analysis import BarrierAnalysis
from sts.comparing.tip_change import more_words, rows_of, step_words
from sts.report.number_words import count, listed

QUESTION = "Did a tip change on the way?"
REMEDY = (
    "Look at the sweeps around it. If the tip did change, keep what came before and after as two states: name them as tips in a "
    "logbook, or leave out those of one. Image again before you measure on."
)
RUN_REMEDY = "Wait until the scanner is at rest, image again, and repeat these sites: their means are of no one state."


def changed_tips(barrier: BarrierAnalysis) -> set[tuple[str, str]]:
    """(sample, tip) of those that changed.

    Parameters
    ----------
    barrier : BarrierAnalysis
    """
    return {(row["sample"], row["tip"]) for row in rows_of(barrier.steps)}


def tips_of_one_state(barrier: BarrierAnalysis) -> pd.DataFrame:
    """The table of tips as it is shown: without the mean of a tip that changed, which is of no state of it.

    Parameters
    ----------
    barrier : BarrierAnalysis
    """
    tips = barrier.tips
    if not len(barrier.steps):
        return tips
    changed = np.array([one in changed_tips(barrier) for one in zip(tips["sample"], tips["tip"], strict=True)], bool)
    numbers = [str(name) for name in tips if str(name).endswith("_eV")]
    return tips.assign(**{name: tips[name].mask(changed) for name in numbers})


def change_lines(barrier: BarrierAnalysis) -> list[str]:
    """One line for each change: where, from what to what; and for each site whose repeats run away.

    Parameters
    ----------
    barrier : BarrierAnalysis
    """
    said = []
    for row in rows_of(barrier.steps):
        after = row.get("iv_after", 0)
        spectra = [f"{count(int(after), 'I(V) sweep')} of it came after."] if after and after == after else []
        said.append(" ".join((f"{step_words(row)}.", *more_words(row), *spectra)))
    for row in rows_of(barrier.runs):
        said.append(
            f"{row['tip'] or '(no tip)'}: repeats at site {row['site'] or '(no name)'} run away, {row['first_eV']:.3g} to "
            f"{row['last_eV']:.3g} eV from {row['first_sweep']} to {row['last_sweep']}."
        )
    return said


def change_remedies(barrier: BarrierAnalysis) -> list[str]:
    """What to do about changes, and about repeats that run away.

    Parameters
    ----------
    barrier : BarrierAnalysis
    """
    return [words for words, rows in ((REMEDY, barrier.steps), (RUN_REMEDY, barrier.runs)) if len(rows)]


def change_steps(barrier: BarrierAnalysis) -> list[str]:
    """What to do next time about tips that changed and sites that ran away, a sentence each.

    Parameters
    ----------
    barrier : BarrierAnalysis
    """
    said = []
    if names := [row["tip"] or "the tip" for row in rows_of(barrier.steps)]:
        said.append(
            f"Go back to a site measured early, with {listed(names)}: only a place measured before and after tells a tip that "
            "changed. Image again where it did; more sites do not narrow a mean of two states."
        )
    if len(barrier.runs):
        said.append("Wait until the scanner is at rest before a site is repeated: repeats of one ran away.")
    return said
