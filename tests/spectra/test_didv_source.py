"""What a spectrum says of the channel that its dI/dV comes from."""

from __future__ import annotations

import math

from sts.spectra.didv_source import CURRENT, DidvSource


def test_nothing_is_said_of_a_gain_that_was_not_used():
    source = DidvSource(CURRENT, "set in the plan")
    assert math.isnan(source.gain)
    assert source.numerical is None
