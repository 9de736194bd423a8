"""Which channel dI/dV comes from: what the plan says, else the better one."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from spectra.two_channels import V, measured, spectrum

from sts.sweeps import SweepSet


def test_the_plan_may_force_either():
    sweeps = measured(np.random.default_rng(4), 6)
    numerical, forced = spectrum(sweeps, didv_from="current"), spectrum(sweeps, didv_from="lock-in")
    assert (numerical.source.channel, numerical.source.why) == ("current", "set in the plan")
    assert (forced.source.channel, forced.source.why) == ("lock-in", "set in the plan")
    assert_allclose(forced.source.numerical, numerical.didv)  # kept beside it
    noisy = measured(np.random.default_rng(5), 6, lockin=1e-9)
    assert spectrum(noisy, didv_from="lock-in").from_lockin
    bare = SweepSet("iv", V, sweeps.current, sweeps.table)
    assert spectrum(bare).source is None
    with pytest.raises(ValueError, match="these sweeps have none"):
        spectrum(bare, didv_from="lock-in")
    with pytest.raises(ValueError, match="not the plain mean"):
        spectrum(sweeps, didv_from="lock-in", average="median")


def test_the_smoothing_of_the_channel_is_its_own():
    """With a noisy current and a quiet channel the width is chosen from the repeats of the latter, and is the narrower one."""
    sweeps = measured(np.random.default_rng(7), 8, white=1e-11, lockin=5e-12)
    numerical, own = spectrum(sweeps, didv_from="current"), spectrum(sweeps)
    assert own.from_lockin
    assert own.resolution.smoothing_V < 0.8 * numerical.resolution.smoothing_V
    assert own.source.numerical_as == numerical.smoothed_as
