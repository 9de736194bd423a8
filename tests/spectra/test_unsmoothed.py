"""A second band that holds what smoothing does; where smoothing shows, and dips no wider than the resolution."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from sts.curves.smoothing import make_smoother
from sts.plan import Plan, SpectraPlan
from sts.spectra import average_spectrum
from sts.spectra.unsmoothed import _batched, narrow_dips
from sts.sweeps import SweepSet, sweep_table

BIAS = np.linspace(-1, 1, 161)


def spectrum_of(clean, repeats, *, seed=1, noise=5e-4, **settings):
    rng = np.random.default_rng(seed)
    current = clean + noise * rng.standard_normal((repeats, BIAS.size))
    sweeps = SweepSet("iv", BIAS, current * 1e-9, sweep_table([f"s{k}" for k in range(repeats)], temperature_K=77.0))
    return average_spectrum(sweeps, Plan(spectra=SpectraPlan(offsets="keep", **settings)))


def test_the_second_band_holds_the_tip_of_a_v_where_the_first_does_not():
    """dI/dV = |V|, closed form I = V|V|/2 (closed form also of the tip: 0)."""
    found = spectrum_of(BIAS * np.abs(BIAS) / 2, 20, smoothing_width_V=0.15)
    tip = np.abs(BIAS) < 0.02
    truth = np.abs(BIAS) * 1e-9
    assert not ((found.didv_low < truth) & (truth < found.didv_high))[tip].any()
    inner = (np.abs(BIAS) > 0.15) & ~found.one_sided
    assert np.mean(((found.unsmoothed_low < truth) & (truth < found.unsmoothed_high))[inner]) > 0.85
    assert np.all(found.unsmoothed_low[tip] < found.didv_low[tip])
    assert (found.flags["flag"] == "smoothing shows").any()
    assert "at 0 V" in found.flags.set_index("flag")["detail"]["smoothing shows"] or "at -0" in str(
        found.flags["detail"]
    )


def test_a_parabola_is_smoothed_without_a_trace():
    found = spectrum_of(0.2 * BIAS + BIAS**3 / 3, 20)
    assert not (found.flags["flag"] == "smoothing shows").any()


@pytest.mark.parametrize("settings", [{"order": 3}, {"smoothing": "gaussian"}, {"smoothing": "penalised"}])
def test_other_smoothings_have_a_second_band_at_half_their_width(settings):
    found = spectrum_of(BIAS * np.abs(BIAS) / 2, 8, smoothing_width_V=0.2, **settings)
    finer = make_smoother(
        BIAS, width_V=0.1, method=settings.get("smoothing", "local polynomial"), order=settings.get("order", 2)
    )
    middle = (found.unsmoothed_low + found.unsmoothed_high) / 2
    assert_allclose(middle, finer.differentiate(found.current), atol=1e-14)


def test_batches_of_many_units_have_the_same_scatter():
    rows = np.random.default_rng(2).standard_normal((5000, 3))
    some, dof = _batched(rows, 5000)
    assert (some.shape, dof) == ((256, 3), 255.0)
    assert_allclose((some**2).sum(axis=0), (rows**2).sum(axis=0), rtol=0.3)
    assert _batched(rows[:1], 1)[1] == np.inf
    assert _batched(rows[:9], 9)[1] == 8.0


def test_a_dip_no_wider_than_the_resolution_is_named():
    didv = 1 - 0.5 * np.exp(-(((BIAS - 0.3) / 0.03) ** 2)) - 0.5 * np.exp(-(((BIAS + 0.4) / 0.12) ** 2))
    se = np.full(BIAS.size, 0.01)
    assert_allclose(narrow_dips(BIAS, didv, se, 0.06, 6), [0.3], atol=0.005)
    assert narrow_dips(BIAS, didv, se, 0.02, 6) == []
    assert narrow_dips(BIAS, didv, se, np.nan, 6) == []
    assert narrow_dips(BIAS, didv, 10 * se, 0.06, 6) == []
