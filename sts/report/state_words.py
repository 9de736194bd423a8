"""What the states of tips (before, after) came to, in words: the ratio with its interval, tip by tip and together."""

from __future__ import annotations

from typing import Any

from sts.analysis import BarrierAnalysis
from sts.comparing.paired import ALL_TIPS, NOT_TOLD
from sts.figures.style import rows_of
from sts.report.number_words import count, level_words, value_with_interval

STATES = "Do the states differ?"
MOST_NAMED = 4  # tips in a sentence
ON_PAGE = (  # heading, column and decimals of the table of changes
    ("Tip", "tip", None),
    ("State", "state_b", None),
    ("over", "state_a", None),
    ("Ratio", "ratio", 3),
    ("from", "ratio_low", 3),
    ("to", "ratio_high", 3),
    ("p, adjusted", "p_adjusted", "p"),
    ("Verdict", "verdict", None),
    ("Paired", "units", None),
    ("Would show from (%)", "seen_from_percent", 1),
)


def state_answer(barrier: BarrierAnalysis, level: float) -> str:
    """The answer; "" where no states were compared.

    Parameters
    ----------
    barrier : BarrierAnalysis
    level : float
        Of the intervals, 0 to 1.
    """
    rows = list(rows_of(barrier.changes)) if len(barrier.changes) else []
    together = [row for row in rows if row.tip == ALL_TIPS]
    single = [row for row in rows if row.tip != ALL_TIPS]
    said = []
    if together:
        said += [_said(row, f"All {row.units} together, ") for row in together]
    said += [_said(row, f"{row.tip}, ") for row in single[:MOST_NAMED]]
    if more := len(single) - MOST_NAMED:
        said += [f"{count(more, 'more tip')} {'stands' if more == 1 else 'stand'} in the table."] if more > 0 else []
    if said:
        said.append(
            f"These are ratios of barriers with {level_words(level)} intervals; those of single tips hold for all of them together."
        )
    return " ".join(said)


def mixed_with(barrier: BarrierAnalysis) -> str:
    """What else came with the states, so that it is not told from the change; "" if nothing is known of.

    Parameters
    ----------
    barrier : BarrierAnalysis
    """
    return " ".join(note for note in barrier.notes if NOT_TOLD in note)


def _said(row: Any, who: str) -> str:
    number = value_with_interval(row.ratio, row.ratio_low, row.ratio_high, "")
    verdict = row.verdict
    if verdict == "no difference shown":
        seen = row.seen_from_percent
        change = f"{seen:.2g} %" if seen <= 100 else f"only a change by a factor of {1 + seen / 100:.2g}"
        verdict = f"no difference shown; {change} would have been shown in nine of ten such sessions"
    return f"{who}{row.state_b} over {row.state_a}: {number} ({verdict})."
