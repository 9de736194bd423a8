"""A lock-in channel without a current: an average in its own unit, and nothing invented."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from sts.flags import no_flags
from sts.plan import Plan
from sts.spectra import average_spectrum
from sts.spectra.lockin.alone import average_lockin
from sts.sweeps import SweepSet, sweep_table

AXIS = np.linspace(-0.1, 0.1, 51)
TRUE = 1 + 5 * AXIS**2


def sweeps(count: int, noise: float = 0.01, unit: str = "V") -> SweepSet:
    signal = TRUE + noise * np.random.default_rng(count).standard_normal((count, AXIS.size))
    table = sweep_table([f"s{i}" for i in range(count)], sample="gold", repeat=list(range(count)), direction="up")
    return SweepSet(
        kind="iv", axis=AXIS, current=np.full_like(signal, np.nan), table=table, lockin=signal, lockin_unit=unit
    )


def test_mean_and_band_are_those_of_the_sweeps() -> None:
    made = sweeps(6)
    assert made.lockin is not None
    found = average_spectrum(made)
    error = made.lockin.std(axis=0, ddof=1) / np.sqrt(6)
    assert_allclose(found.didv, made.lockin.mean(axis=0), rtol=1e-12)
    assert_allclose(found.didv_se, error, rtol=1e-12)
    assert_allclose(found.didv_high - found.didv, stats.t.ppf(0.975, 5) * error, rtol=1e-9)
    assert found.didv_unit == "V"


def test_nothing_is_divided_and_no_offset_is_invented() -> None:
    found = average_spectrum(sweeps(4))
    assert np.isnan(found.normalised).all()
    assert np.isnan(found.current).all()
    assert "no current" in found.offsets.how
    assert found.smoothing == "none: lock-in channel as recorded"


def test_one_sweep_has_the_band_of_its_noise_and_says_so() -> None:
    found = average_spectrum(sweeps(1, noise=0.02))
    assert_allclose(found.didv_se, 0.02, rtol=0.5)  # 49 second differences know it to a sixth
    assert found.flags is not None
    assert "point-to-point noise" in found.flags.set_index("flag")["detail"]["no band"]


def test_a_resistance_is_not_taken_for_a_conductance() -> None:
    with pytest.raises(ValueError, match="dV/dI in ohm"):
        average_spectrum(sweeps(4, unit="ohm"))


def test_without_any_channel_there_is_nothing_to_average() -> None:
    made = sweeps(3)
    empty = replace(made, lockin=np.full(made.current.shape, np.nan))
    with pytest.raises(ValueError, match="neither a current nor a lock-in channel"):
        average_lockin(empty, np.arange(3), Plan(), {}, (), no_flags())
