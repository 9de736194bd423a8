"""Groups at a varying gap: whose decay is taken, and what the factor does to sweeps and bands."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

import sts
from sts.analysis.constant_gap import decay_by_site, decay_for, gap_factor
from sts.analysis.spectra import SpectraOf
from sts.plan import Plan, SpectraPlan
from sts.simulate import Bench, BiasRamp
from sts.spectra import average_spectrum, judge_iv
from sts.spectra.varying_gap import Decay

DECAY = float(sts.decay_from_barrier(4.4))
STATED = Plan(
    spectra=SpectraPlan(gap_slope_A_per_V=1.0, decay_per_nm=DECAY * 1e-9, decay_se_per_nm=0.2, decay_bias_V=0.1)
)


@pytest.fixture(scope="module")
def made():
    return sts.simulate_iv(
        density="v_shaped", bias=(-1.5, 1.5, 151), sweeps=4, temperature_K=77.0, seed=2, bench=Bench(white_A=1e-13),
        ramp=BiasRamp(decay_per_m=DECAY, gap_slope_m_per_V=1e-10), sample="a", tip="t", site="s", day="", unassigned="",
    ).sweeps  # fmt: skip


def test_the_decay_is_that_of_the_site_or_the_one_stated(made):
    assert decay_for(made, Plan(), {}) is None  # the gap did not vary
    assert decay_for(made, STATED, {}) == Decay(DECAY, 2e8, 0.1, 0.8 * 1e-9)
    varied = Plan(spectra=SpectraPlan(gap_slope_A_per_V=1.0))
    assert np.isnan(decay_for(made, varied, {}).per_m)
    site = {"sample": "a", "tip": "t", "day": "", "site": "s", "decay_per_nm": 20.0, "decay_se_per_nm": 0.5}
    known = decay_by_site(SimpleNamespace(sites=pd.DataFrame([site]), bias_V=-0.05))
    assert decay_for(made, varied, known) == Decay(20e9, 0.5e9, -0.05, 0.8 * 1e-9)
    assert decay_by_site(SimpleNamespace(sites=pd.DataFrame([site]), bias_V=np.nan))["a", "t", "", "s"].bias_V == 0.0


def test_the_factor_says_its_size_and_widens_the_bands(made):
    factor = gap_factor(made, STATED, None, decay_for(made, STATED, {}))
    assert f"{np.exp(factor.exponent[-1]):.3g} ± {100 * factor.relative[-1]:.2g} % at 1.5 V" in factor.words
    even = factor.applied_to(made)
    assert_allclose(even.current, made.current * np.exp(factor.exponent))
    before = average_spectrum(even, Plan())
    after = factor.widened(before, 0.95)
    assert (after.flags["flag"] == "varying gap").any()
    assert_allclose(after.current_se[-1], np.hypot(before.current_se[-1], before.current[-1] * factor.relative[-1]))
    assert np.all(after.didv_high - after.didv_low >= before.didv_high - before.didv_low - 1e-18)


def test_a_single_sweep_is_brought_back_as_its_group(made):
    """The factor is that of the group, so that the mean of the sweeps is the curve of the group."""
    flags = judge_iv(made)
    of = SpectraOf((made,), flags, STATED)
    (group,) = of.summarise(made.names, None, []).spectra
    one = of.at_constant_gap(made.one(0), group.offsets, None)
    factor = gap_factor(made, STATED, group.offsets, decay_for(made, STATED, {}))
    assert_allclose(one.current[0], factor.applied_to(made).current[0])
    undeclared = SpectraOf((made,), flags, Plan())
    (seen,) = undeclared.summarise(made.names, None, []).spectra
    assert_allclose(undeclared.at_constant_gap(made.one(0), seen.offsets, None).current, made.current[:1])
    assert (seen.flags["flag"] == "gap may vary").any()
    assert not (group.flags["flag"] == "gap may vary").any()
