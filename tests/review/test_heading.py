"""What is said of a sweep above its curves."""

from __future__ import annotations

from sts.review import Desk
from sts.review.heading import heading_of


def test_flags_and_barrier_are_told_when_all_are_measured_only(looked_at: Desk) -> None:
    view = looked_at.view("plover_s4_r1_retract")
    said = heading_of(view, "a note", "flagged and used: jump", measuring=False)
    for words in ("plover_s4_r1_retract", "jump: current × 1.65", "Why it stands here", "a note", "Apparent barrier"):
        assert words in said
    early = heading_of(view, "", "", measuring=True)
    assert "plover_s4_r1_retract" in early
    assert "Measuring all sweeps" in early
    assert not any(words in early for words in ("jump", "Apparent barrier", "eV", "by rule"))
