"""The electron temperature of an averaged spectrum: held with its uncertainty, or not stated, with the reason."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import sts
from sts.plan import Plan
from sts.simulate import Bench, superconductor
from sts.spectra.electron_temperature import ElectronTemperature, electron_temperature
from sts.sweeps import SweepSet

BENCH = Bench(white_A=4e-13, setpoint_scatter=0.02)
PLAN = Plan()


@pytest.fixture(scope="module")
def warm() -> SweepSet:
    """Electrons at 2 K, a bath that is said to be at 1.2 K."""
    density = superconductor(gap_eV=1.35e-3, broadening_eV=3e-5)
    made = sts.simulate_iv(
        density=density, bias=(-6e-3, 6e-3, 121), temperature_K=2.0, sweeps=6, bench=BENCH, seed=3
    ).sweeps
    return made.with_table(made.table.assign(temperature_K=1.2))


def found(sweeps: SweepSet) -> ElectronTemperature:
    return electron_temperature(sts.average_spectrum(sweeps), sweeps, PLAN)


def test_it_is_that_of_the_electrons_whatever_the_bath(warm: SweepSet) -> None:
    one = found(warm)
    assert one.low < 2.0 < one.high
    assert abs(one.value - 2.0) < 2.6 * one.se
    assert 0 < one.se < 0.1
    assert one.gap_meV == pytest.approx(1.35, abs=0.02)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda s: s.select(s.table["repeat"].to_numpy() <= 2), "2 of the three repeats"),
        (lambda s: s.with_table(s.table.assign(temperature_K=np.nan)), "the temperature is not recorded"),
        (lambda s: s.with_table(s.table.assign(temperature_K=77.0)), "above 20 K"),
        (lambda s: replace(s, lockin=np.gradient(s.current, s.axis, axis=1), lockin_unit="S"), "modulation of the lock-in"),
        (lambda s: replace(s, current=1e-6 * s.axis + 1e-12 * np.sin(np.arange(121)) * np.ones((12, 1))), "a gap needs"),
    ],
)  # fmt: skip
def test_what_does_not_tell_it_says_why(warm: SweepSet, change, words: str) -> None:
    one = found(change(warm))
    assert np.isnan(one.value)
    assert words in one.why


def test_what_broadens_beside_makes_it_an_upper_bound(warm: SweepSet) -> None:
    """A lag of 0.3 mV, wider than the heat of 0.17 meV (kT at 2 K), in the resolution but not in the line shape."""
    spectrum = sts.average_spectrum(warm)
    lagging = replace(spectrum, resolution=replace(spectrum.resolution, lag_V=3e-4))
    one = electron_temperature(lagging, warm, PLAN)
    assert np.isnan(one.value)
    assert one.low == 0
    assert one.high > 2.0
    assert "a lag or a common axis broadens by 300 µV" in one.why
    modulated = warm.with_table(warm.table.assign(modulation_V=1e-4))
    one = found(modulated)
    assert np.isnan(one.value)
    assert "a modulation, over which the current may be averaged" in one.why
