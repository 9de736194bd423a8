"""Superconducting line shapes and the gap equation against tabulated values; the fit against planted gaps."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from numpy.testing import assert_allclose

from sts.curves.smoothing import METHODS, make_smoother
from sts.simulate import lockin_conductance, superconductor, tunnel_conductance, tunnel_current
from sts.spectra.models.superconductor import dynes_density, fit_superconducting_gap, superconducting_conductance

# superconductivity.csv: formulae S4 and S5, computed with mpmath at 25 digits or more, second route in double precision.
NIS = [  # ideal BCS, gap held fixed: Δ [meV], T [K], V [mV], dI/dV over normal
    (1.35, 4.2, 0, 0.123003835843),
    (1.35, 4.2, 0.5, 0.239307137698),
    (1.35, 4.2, 1.0, 0.656898258527),
    (1.35, 4.2, 1.35, 1.05622048121),
    (1.35, 4.2, 1.5, 1.1902098842),
    (1.35, 4.2, 2.0, 1.33278655078),
    (1.35, 4.2, 3.0, 1.15291083788),
    (1.35, 4.2, 5.0, 1.04135430701),
    (0.18, 0.3, 0, 0.00657560111107),
    (0.18, 0.3, 0.5, 1.07456523438),
    (0.18, 0.3, 1.0, 1.01672264946),
    (1.50, 4.2, 0, 0.0858908084802),
    (1.50, 4.2, 0.5, 0.171686034057),
    (1.50, 4.2, 1.0, 0.516288122654),
    (1.50, 4.2, 1.35, 0.927406463656),
    (1.50, 4.2, 1.5, 1.09924804341),
    (1.50, 4.2, 2.0, 1.37936322136),
    (1.50, 4.2, 3.0, 1.19836734571),
    (1.50, 4.2, 5.0, 1.05192444959),
    (0.18, 0.3, 0.1, 0.148277733095),
    (0.18, 0.3, 0.18, 1.35940138109),
    (0.18, 0.3, 0.25, 1.53075001119),
]
DYNES_NIS = [  # Δ, Γ [meV], T [K], V [mV], dI/dV over normal
    (1.35, 0.05, 4.2, 0, 0.167172117331),
    (1.35, 0.05, 4.2, 0.7, 0.402241647537),
    (1.35, 0.05, 4.2, 1.35, 1.03371643113),
    (1.35, 0.05, 4.2, 1.6, 1.21827647325),
    (1.35, 0.05, 4.2, 2.5, 1.22992692738),
    (1.35, 0.05, 4.2, 4, 1.0707327806),
    (1.35, 0.05, 1.3, 0, 0.0385246497332),
    (1.35, 0.05, 1.3, 0.7, 0.0819347133081),
    (1.35, 0.05, 1.3, 1.35, 1.55811371342),
    (1.35, 0.05, 1.3, 1.6, 1.82221368299),
    (1.35, 0.05, 1.3, 2.5, 1.19547900605),
    (1.35, 0.05, 1.3, 4, 1.06290656124),
]
DYNES = [  # E, Δ, Γ in one unit, density over normal
    (0, 1, 0.01, 0.0099995000375),
    (0.5, 1, 0.01, 0.0153932709313),
    (0.9, 1, 0.01, 0.120041539746),
    (1, 1, 0.01, 5.03757785047),
    (1.1, 1, 0.01, 2.39229215965),
    (1.35, 1, 0.01, 1.48822834017),
    (2, 1, 0.01, 1.15468129506),
    (5, 1, 0.01, 1.02062046037),
    (0, 1, 0.1, 0.099503719021),
    (0.5, 1, 0.1, 0.151302452174),
    (0.9, 1, 0.1, 0.801584387444),
    (1, 1, 0.1, 1.70210498394),
    (1.1, 1, 0.1, 1.91908148372),
    (1.35, 1, 0.1, 1.45751101064),
    (2, 1, 0.1, 1.15279281966),
    (5, 1, 0.1, 1.02059416729),
    (0, 1.35, 0.05, 0.0370116605099),
    (0.5, 1.35, 0.05, 0.0461458883585),
    (0.9, 1.35, 0.05, 0.0888957925393),
    (1, 1.35, 0.05, 0.1208674625),
    (1.1, 1.35, 0.05, 0.186005429317),
    (1.35, 1.35, 0.05, 2.67079452868),
    (2, 1.35, 0.05, 1.35340387308),
    (5, 1.35, 0.05, 1.03855902801),
]


@pytest.mark.parametrize(("energy", "gap", "broadening", "density"), DYNES)
def test_dynes_density(energy, gap, broadening, density):
    assert_allclose(dynes_density(energy, gap, broadening), density, rtol=1e-9)


@pytest.mark.parametrize(("gap", "temperature", "bias", "conductance"), NIS)
def test_conductance_of_an_ideal_superconductor(gap, temperature, bias, conductance):
    found = superconducting_conductance(np.array([bias * 1e-3]), gap * 1e-3, 0.0, temperature_K=temperature)
    assert_allclose(found, conductance, rtol=1e-4, atol=2e-6)  # the kernel's grid


@pytest.mark.parametrize(("gap", "broadening", "temperature", "bias", "conductance"), DYNES_NIS)
def test_conductance_of_a_broadened_superconductor(gap, broadening, temperature, bias, conductance):
    found = superconducting_conductance(
        np.array([bias * 1e-3]), gap * 1e-3, broadening * 1e-3, temperature_K=temperature
    )
    assert_allclose(found, conductance, rtol=3e-4)


def test_the_modulation_broadens_as_a_lockin_does():
    """Against the first harmonic of the current of the virtual junction: another integral altogether."""
    v = np.linspace(-4e-3, 4e-3, 41)
    density = superconductor(gap_eV=1.35e-3, broadening_eV=3e-5)
    expected = lockin_conductance(v, density, temperature_K=1.8, modulation_rms_V=2e-4)
    found = superconducting_conductance(v, 1.35e-3, 3e-5, temperature_K=1.8, modulation_rms_V=2e-4)
    assert_allclose(found, expected, rtol=2e-3)


@cache
def ideal(ideal_of, gap_eV, broadening_eV, temperature):
    """Bias, and the current or the conductance without noise."""
    v = np.linspace(-6e-3, 6e-3, 241)
    return v, ideal_of(v, superconductor(gap_eV=gap_eV, broadening_eV=broadening_eV), temperature_K=temperature)


def spectrum(gap_eV, broadening_eV, temperature, *, noise, seed):
    v, clean = ideal(tunnel_conductance, gap_eV, broadening_eV, temperature)
    return v, clean + noise * np.random.default_rng(seed).standard_normal(v.size)


def test_a_planted_gap_comes_back_and_its_intervals_hold():
    """12 spectra: Δ and Γ within 2 standard uncertainties in 95 %; scripts/studies/features.py does many."""
    inside_gap = inside_broadening = 0
    for seed in range(12):
        v, g = spectrum(1.35e-3, 5e-5, 1.8, noise=0.01, seed=seed)
        fit = fit_superconducting_gap(v, g, np.full(v.size, 0.01), temperature_K=1.8)
        assert fit.verdict == "good"
        inside_gap += abs(fit.gap_meV - 1.35) < 2 * fit.gap_se_meV
        inside_broadening += abs(fit.broadening_meV - 0.05) < 2 * fit.broadening_se_meV
    assert inside_gap >= 9
    assert inside_broadening >= 9


def smoothed(seed, *, repeats, method="local polynomial"):
    """Repeats of the current, smoothed and differentiated: the mean, its scatter, and the smoother."""
    v, clean = ideal(tunnel_current, 1.35e-3, 5e-5, 1.8)
    noise = 2e-6 * np.random.default_rng(seed).standard_normal((repeats, v.size))
    smoother = make_smoother(v, width_V=4e-4, method=method)
    each = smoother.differentiate(clean + noise)
    return v, each.mean(axis=0), np.cov(each.T) / repeats, smoother


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("known", [True, False])
def test_smoothing_widens_neither_gap_nor_broadening_and_intervals_hold(method, known):
    """A smoothing as wide as the thermal width (Γ read 20 % low where its width at half height was taken for a Gaussian's)."""
    inside = np.zeros(2)
    for seed in range(12):
        v, g, covariance, smoother = smoothed(seed, repeats=12, method=method)
        fit = fit_superconducting_gap(v, g, np.sqrt(np.diag(covariance)), temperature_K=1.8, smoother=smoother,
                                      covariance=covariance if known else None)  # fmt: skip
        assert fit.verdict == "good"
        assert abs(fit.broadening_meV - 0.05) < 5e-3
        inside += [
            abs(fit.gap_meV - 1.35) < 2 * fit.gap_se_meV,
            abs(fit.broadening_meV - 0.05) < 2 * fit.broadening_se_meV,
        ]
    assert (inside >= 9).all()


def test_a_smoother_on_another_axis_is_refused():
    v, g, covariance, smoother = smoothed(0, repeats=4)
    with pytest.raises(ValueError, match="make it on the axis of the bias"):
        fit_superconducting_gap(v[1:], g[1:], np.ones(240), temperature_K=1.8, smoother=smoother)
    with pytest.raises(ValueError, match="240 points need"):
        fit_superconducting_gap(v[1:], g[1:], np.ones(240), temperature_K=1.8, covariance=covariance)


def test_a_small_misfit_is_called_good_with_its_size():
    """A background of half a percent, curved, under noise far below it."""
    v, g = spectrum(1.35e-3, 5e-5, 1.8, noise=1e-4, seed=1)
    fit = fit_superconducting_gap(v, g + 0.004 * np.cos(v / 1e-3), np.full(v.size, 1e-4), temperature_K=1.8)
    assert fit.verdict.startswith("good: within 0.")
    assert "though by more than its noise" in fit.verdict


def test_temperature_and_broadening_trade_off_and_it_is_said():
    v, g = spectrum(1.35e-3, 5e-5, 1.8, noise=0.005, seed=1)
    fit = fit_superconducting_gap(v, g, np.full(v.size, 0.005), temperature_K=2.0, fit_temperature=True)
    assert abs(fit.temperature_K - 1.8) < 4 * fit.temperature_se_K
    assert fit.correlation < -0.5


def test_a_spectrum_with_two_gaps_is_called_poor():
    v, a = spectrum(0.9e-3, 2e-5, 0.5, noise=0.0, seed=1)
    _, b = spectrum(2.2e-3, 2e-5, 0.5, noise=0.0, seed=1)
    fit = fit_superconducting_gap(v, (a + b) / 2, np.full(v.size, 0.005), temperature_K=0.5)
    assert fit.verdict.startswith("poor")


def test_a_metal_is_refused():
    v = np.linspace(-6e-3, 6e-3, 241)
    fit = fit_superconducting_gap(v, np.ones(v.size), np.full(v.size, 0.01), temperature_K=1.8)
    assert fit.verdict.startswith("refused")
    assert np.isnan(fit.gap_meV)


def test_an_unknown_temperature_is_refused():
    v, g = spectrum(1.35e-3, 5e-5, 1.8, noise=0.01, seed=1)
    fit = fit_superconducting_gap(v, g, np.full(v.size, 0.01), temperature_K=float("nan"))
    assert "temperature" in fit.verdict


# --- measured spectra -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("run", "column", "authors_meV"), [(15, 3, 0.265), (16, 3, 0.259)])
def test_measured_spectra_of_a_spin_split_superconductor_are_called_poor(opendata, run, column, authors_meV):
    """nis-eus-al-sample1 at the deepest gap: the authors' spin-split Usadel fit has Δ = 0.265 and 0.259 meV (fit files, seen).

    A single broadened gap does not describe it: 0.235 to 0.24 meV, a tenth below, is what its README finds and calls
    wrong, and what we find and call poor.
    """
    table = np.loadtxt(opendata / "nis-eus-al-sample1" / f"run{run}_selected_spectra.csv", delimiter=",", skiprows=1)
    fit = fit_superconducting_gap(table[:, 0], table[:, column], np.full(len(table), 1.5e-4), temperature_K=0.04)
    assert fit.verdict.startswith("poor")
    assert fit.gap_meV == pytest.approx(authors_meV, rel=0.15)
    assert 0.230 < fit.gap_meV < 0.245
    assert fit.offset_mV == pytest.approx(0.042, abs=0.005)  # the authors' notebooks


@pytest.mark.parametrize("column", range(1, 8))
def test_a_measured_soft_gap_is_refused(opendata, column):
    """sts-nbs2-line: a charge-density-wave gap with structure inside it, no superconducting one."""
    table = np.loadtxt(opendata / "sts-nbs2-line" / "figure3b_sts.txt", delimiter="\t", skiprows=1)[::-1]
    g = table[:, column]
    fit = fit_superconducting_gap(table[:, 0] * 1e-3, g, np.full(len(g), 0.01 * g.mean()), temperature_K=0.35)
    assert fit.verdict.startswith("refused")
    assert np.isnan(fit.gap_meV)
