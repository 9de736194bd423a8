"""What stands in a spectrum is looked for as the plan says, and what cannot be believed is flagged."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from spectra.bench import ideal

from sts.plan import Plan
from sts.simulate import simulate_iv, superconductor
from sts.spectra import average_spectrum
from sts.spectra.features import with_features


@pytest.mark.parametrize("part", ["gap", "peaks"])
def test_what_the_plan_does_not_ask_for_is_not_looked_for(part: str) -> None:
    sweeps = ideal("gapped", 6, bias=(-1.0, 1.0, 121)).sweeps
    plan = Plan.model_validate({"features": {part: False}})
    found = with_features(average_spectrum(sweeps, plan), sweeps, plan)
    assert {"gap": found.gaps, "peaks": found.peaks}[part] is None
    assert {"gap": found.peaks, "peaks": found.gaps}[part] is not None
    assert found.fits == {}


def test_a_rise_steeper_than_the_temperature_allows_is_flagged() -> None:
    """A decade of dI/dV takes ln(10) kT at least: 8.617333e-5 eV/K × 295 K × 2.302585 = 58.5 meV at 295 K."""
    sweeps = ideal("gapped", 6, bias=(-1.0, 1.0, 121)).sweeps
    spectrum = average_spectrum(sweeps, Plan())
    steep = replace(
        spectrum, didv=1e-12 + 1e-9 / (1 + np.exp(-(spectrum.bias - 0.4) / 0.004)), didv_se=np.full(121, 1e-14)
    )
    warm = replace(sweeps, table=sweeps.table.assign(temperature_K=295.0))
    plan = Plan.model_validate({"features": {"gap": False, "peaks": False}})
    flags = with_features(steep, warm, plan).flags
    assert flags is not None
    assert "58.5 mV is the limit" in flags.set_index("flag")["detail"]["too steep"]
    cold = replace(sweeps, table=sweeps.table.assign(temperature_K=4.0))
    cold_flags = with_features(steep, cold, plan).flags
    assert cold_flags is not None
    assert "too steep" not in set(cold_flags["flag"])


@pytest.mark.parametrize("asked", [True, False])
def test_a_gap_is_fitted_or_suggested_and_on_a_metal_neither(asked: bool) -> None:
    plan = Plan.model_validate({"features": {"superconductor": asked, "gap": False, "peaks": False}})
    sweeps = ideal("superconductor", 6, bias=(-6e-3, 6e-3, 121), temperature_K=1.8).sweeps
    found = with_features(average_spectrum(sweeps, plan), sweeps, plan)
    assert ("superconductor" in found.fits) is asked
    assert (found.suggested == ("superconductor",)) is not asked
    assert found.untried == {}
    warm = replace(sweeps, table=sweeps.table.assign(temperature_K=77.0))
    none = with_features(average_spectrum(warm, plan), warm, plan)
    assert none.fits == {}
    assert none.suggested == ()
    assert none.untried == ({"superconductor": "it was taken at 77 K, above 20 K"} if asked else {})
    assert none.flags is None or "poor fit" not in set(none.flags["flag"])


def test_a_fit_that_is_refused_is_not_called_poor_and_its_reason_is_said() -> None:
    """A thermally broadened step has no width without a temperature: that says nothing against the step."""
    plan = Plan.model_validate({"features": {"inelastic_step": True, "gap": False, "peaks": False}})
    sweeps = ideal("flat", 4, bias=(-0.05, 0.05, 101)).sweeps
    unknown = replace(sweeps, table=sweeps.table.assign(temperature_K=np.nan))
    found = with_features(average_spectrum(unknown, plan), unknown, plan)
    flags = dict(zip(found.flags["flag"], found.flags["detail"], strict=True))
    assert "poor fit" not in flags
    assert flags["fit refused"] == found.fits["inelastic_step"].verdict
    assert "temperature" in flags["fit refused"]


def test_peaks_and_superconducting_gaps_take_the_units_of_the_bands() -> None:
    """Four sites of three repeats whose Δ are 1.25 to 1.45 meV: scatter 82 µeV, so 41 of the mean, times 3.18/1.96."""
    sites = np.array([1.25, 1.3, 1.4, 1.45])
    made = [simulate_iv(density=superconductor(gap_eV=1e-3 * gap, broadening_eV=5e-5), bias=(-6e-3, 6e-3, 121),
                        temperature_K=1.8, sweeps=3).sweeps for gap in sites]  # fmt: skip
    tables = [one.table.assign(site=f"s{i}", sweep=[f"{i}-{name}" for name in one.names]) for i, one in enumerate(made)]
    current = np.concatenate([one.current for one in made])
    current = current + 1e-13 * np.random.default_rng(1).standard_normal(current.shape)
    sweeps = replace(made[0], current=current, table=pd.concat(tables, ignore_index=True))
    plan = Plan.model_validate({"features": {"superconductor": True, "gap": False}})
    found = with_features(average_spectrum(sweeps, plan, used=sweeps.names), sweeps, plan)
    u = sites.std(ddof=1) / 2 * 3.182 / 1.96
    assert 1e3 * found.fits["superconductor"].errors["gap"] == pytest.approx(u, rel=0.4)
    assert found.peaks is not None
    peaks = found.peaks[found.peaks["position_V"].abs().between(1e-3, 2e-3)]
    assert (peaks["position_se_V"] > 1e-3 * u / 3).all()
