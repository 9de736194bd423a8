"""The wide table of a spectrum holds its numbers, each under a name with its unit."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from figures.drawings import SPECTRA
from numpy.testing import assert_allclose

from sts.quantities import find_unit

ONE = SPECTRA[0]


def test_a_frame_is_in_si_and_names_its_units() -> None:
    frame = ONE.frame()
    assert list(frame.columns[:4]) == ["bias_V", "didv_S", "didv_low_S", "didv_high_S"]
    assert_allclose(frame["didv_S"], ONE.didv)
    assert_allclose(frame["current_A"], ONE.current)
    assert_allclose(frame["normalised_high"], ONE.normalised_high)
    assert frame["trusted"].dtype == bool


@pytest.mark.parametrize(("size", "unit"), [(1.0, "pS"), (1e3, "nS"), (1e6, "uS"), (1e9, "mS")])
def test_prefixes_say_what_the_numbers_were_multiplied_with(size: float, unit: str) -> None:
    scaled = replace(ONE, didv=size * ONE.didv, didv_low=size * ONE.didv_low)
    frame = scaled.frame(prefixes=True)
    found = find_unit(unit)
    assert found is not None
    assert_allclose(frame[f"didv_{unit}"] * found.factor, scaled.didv)
    assert_allclose(frame[f"didv_low_{unit}"] * found.factor, scaled.didv_low)  # the band in the unit of the curve
    assert 1 <= frame[f"didv_{unit}"].abs().max() < 1000


def test_a_small_range_of_bias_is_in_millivolts_and_a_lock_in_signal_gets_no_siemens() -> None:
    frame = replace(ONE, bias=0.004 * ONE.bias, didv_unit="arb.", current=np.full(121, np.nan)).frame(prefixes=True)
    assert_allclose(frame["bias_mV"], 4 * ONE.bias)
    assert_allclose(frame["didv_lockin"], ONE.didv)
    assert not [name for name in frame if name.endswith("S")]
    assert frame["current_A"].isna().all()
