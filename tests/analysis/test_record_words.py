"""Whether a tip is still as it was, in a sentence that a practitioner reads at once."""

from __future__ import annotations

import pytest

from sts.analysis.record_words import AS_IT_WAS, CHANGED, UNTOLD, Told, sentence

KNOWN = {"barrier": (4.4, 4.3, 4.5), "unseen": (0.9, 1.12), "first": "2026-11-02", "last": "2026-11-17"}


MORE = "More days of this tip, or other tips measured on several days, narrow that."
STANDS_OUT = "more than 10 % lower or 12 % higher than this would stand out."


@pytest.mark.parametrize(
    ("told", "words"),
    [
        (Told("heron", AS_IT_WAS, 6, **KNOWN),
         f"heron: as it was. Barrier 4.40 eV (4.30 to 4.50) over 6 days (2026-11-02 to 2026-11-17); a day {STANDS_OUT}"),
        (Told("stork", CHANGED, 6, changes=(("2026-11-14", 0.7, 0.65, 0.76),), days_since=2, **KNOWN),
         ("stork: changed. Barrier against the days before: −30 % (95 %: −35 % to −24 %) on 2026-11-14. "
          "Now 4.40 eV (4.30 to 4.50), from 2 days.")),
        (Told("gull", UNTOLD, 1, **KNOWN),
         f"gull: cannot be told with 1 day, 2026-11-17 (4.4 eV). By the scatter of the other tips a next day {STANDS_OUT}"),
        (Told("gull", UNTOLD, 3, **KNOWN | {"unseen": (0.2, 40.0)}),
         ("gull: cannot be told with 3 days: only a day more than 80 % lower or ten times higher than these would stand out. "
          f"{MORE}")),
        (Told("gull", UNTOLD, 2, **KNOWN | {"unseen": (float("nan"), float("nan"))}),
         f"gull: cannot be told with 2 days: nothing tells how much a tip scatters from day to day. {MORE}"),
        (Told("", UNTOLD, 0),
         "(no name): cannot be told: no day has a barrier with an uncertainty. Measure I(z) at two or more sites."),
    ],
)  # fmt: skip
def test_each_state_has_its_sentence(told, words):
    assert sentence(told, 0.95) == words


def test_a_day_that_was_off_alone_is_named():
    told = Told("heron", AS_IT_WAS, 6, alone=(("2026-11-08", 0.8),), **KNOWN)
    assert sentence(told, 0.95).endswith("Off on 2026-11-08 (−20 %) alone, then as before.")
