"""The methods paragraph holds the numbers of the session, and only what was done."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd

from sts.analysis import Analysis
from sts.report.summary import Summary


def test_paragraph_holds_the_numbers_of_the_session(invented: Analysis) -> None:
    text = Summary(invented).methods
    for part in (
        "gold film", "heron, plover, curlew and sandpiper", "77 and 295 K", "sample relative to the tip",
        "100, 300 and 1000 pA", "etched W and etched Au", "71 points", "I(z): 48 taken, 1 left out, 47 used",
        "12 sites, 4 tips", "95 %", "numpy 2.4",
    ):  # fmt: skip
        assert part in text, part


def test_directions_that_were_not_paired_are_not_said_to_be(invented: Analysis) -> None:
    pairs = pd.DataFrame({"retract": ["a", "b"], "approach": ["c", "d"]})
    paired = replace(invented, barrier=replace(invented.barrier, directions=pairs))
    assert "2 of 24 repeats had both directions, whose mean cancels drift." in Summary(paired).methods
    alone = replace(invented, barrier=replace(invented.barrier, directions=pairs.iloc[:0]))
    text = Summary(alone).methods
    assert "cancels drift" not in text
    assert "No repeat of a tip has both directions, so drift is in the slopes" in text
