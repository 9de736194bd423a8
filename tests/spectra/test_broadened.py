"""The quotient with broadened I/V: through the gap, its width by the stated rule, its band, and where it is to be trusted."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import integrate, interpolate

from sts.curves import make_smoother
from sts.flags import no_flags
from sts.plan import Plan
from sts.simulate import Bench, Simulated, apply_bench, gapped, simulate_iv
from sts.spectra import average_spectrum
from sts.spectra.broadened import widened_by_factor
from sts.spectra.normalised import normalise
from sts.spectra.spectrum import Spectrum

WIDTH = 0.08
QUIET = Bench(white_A=1e-12, setpoint_scatter=0.03)


@cache
def junction(density: str = "gapped") -> Simulated:
    """1.15 eV between the bands at 77 K, or an ohmic junction; eight repeats, up and down."""
    states = gapped(valence_eV=-0.6, conduction_eV=0.55) if density == "gapped" else density
    return simulate_iv(density=states, sweeps=8, bias=(-1.4, 1.4, 141), temperature_K=77.0)


def spectrum_of(
    bench: Bench = QUIET,
    seed: int = 0,
    density: str = "gapped",
    shift_V: float = 0.0,
    level: float = 1.0,
    **spectra: object,
) -> Spectrum:
    sweeps = junction(density).sweeps
    current, _ = apply_bench(level * sweeps.current, bench, np.random.default_rng(seed), time_step_s=2.5e-3)
    plan = Plan(spectra={"smoothing_width_V": WIDTH, **spectra})
    measured = replace(sweeps, current=current, axis=sweeps.axis + shift_V)
    return average_spectrum(measured, plan, used=sweeps.names, flags=no_flags())


def truth(kind: str, width: float, density: str = "gapped") -> np.ndarray:
    """Noise-free current through the same smoothing, its I/V convolved with the kernel by adaptive quadrature."""
    bias, clean = junction(density).sweeps.axis, junction(density).clean
    smoother = make_smoother(bias, width_V=WIDTH)
    slope, smooth = smoother.differentiate(clean), smoother.apply(clean)
    chord = np.where(bias == 0, slope, smooth / np.where(bias == 0, 1, bias))
    line, half = interpolate.make_interp_spline(bias, chord, k=1), (bias[1] - bias[0]) / 2
    ends = bias[0] - half, bias[-1] + half  # each point stands for the cell around it

    def curve(x: float) -> float:
        return float(line(np.clip(x, bias[0], bias[-1])))

    def kernel(u: float) -> float:
        return float(np.exp(-abs(u) / width) if kind == "exponential" else np.exp(-4 * np.log(2) * (u / width) ** 2))

    below = []
    for v in bias[::10]:
        over, total = (
            integrate.quad(lambda x, f=f, v=v: f(x) * kernel(x - v), *ends, points=[v], limit=200, epsrel=1e-6)[0]
            for f in (curve, lambda x: 1.0)
        )
        below.append(over / total)
    return slope[::10] / np.array(below)


@pytest.mark.parametrize("kind", ["exponential", "gaussian"])
def test_without_noise_it_is_the_quotient_with_an_integral_of_the_kernel(kind: str) -> None:
    """scipy.integrate.quad over the range, where the code sums over cells; a tail beyond the range is left out by both."""
    found = spectrum_of(Bench(), beside=kind, broadening_V=0.6).broadened
    assert found is not None
    assert_allclose(found.value[::10], truth(kind, 0.6), rtol=2e-3, atol=1e-3)
    assert (found.kind, found.width_V, found.why) == (kind, 0.6, "set in the plan")


def test_it_runs_through_a_gap_where_the_plain_form_is_not_to_be_trusted() -> None:
    spectrum = spectrum_of()
    inside = np.abs(spectrum.bias + 0.025) < 0.4
    assert not spectrum.trusted[inside].any()
    assert spectrum.broadened is not None
    assert spectrum.broadened.trusted[inside].all()
    assert np.abs(spectrum.broadened.value[inside]).mean() < 0.1
    assert spectrum.broadened.value[np.abs(spectrum.bias) > 1.2].min() > 1


def test_the_width_is_half_of_the_stretch_without_trust_and_all_of_it_for_a_gaussian() -> None:
    spectrum = spectrum_of()
    v, trusted = spectrum.bias, spectrum.trusted
    stretch = v[trusted & (v > 0)].min() - v[trusted & (v < 0)].max()
    assert stretch > 1.15  # wider than the gap: both edges are in the reach of the kernel
    assert spectrum.broadened is not None
    assert_allclose(spectrum.broadened.width_V, stretch / 2)
    assert "cannot be trusted" in spectrum.broadened.why
    wide = spectrum_of(beside="gaussian").broadened
    assert wide is not None
    assert_allclose(wide.width_V, stretch)


def test_a_metal_needs_no_wider_kernel_than_the_resolution_and_stays_one_through_zero() -> None:
    spectrum = spectrum_of(density="flat")
    found = spectrum.broadened
    assert found is not None
    assert_allclose(found.width_V, spectrum.resolution.total_V / 2)
    assert "resolution" in found.why
    assert found.trusted.all()
    assert_allclose(found.value, 1.0, atol=0.02)


def test_where_i_over_v_is_trusted_nowhere_it_says_so_and_is_not_trusted_either() -> None:
    """Noise only: nothing to divide by."""
    found = spectrum_of(Bench(white_A=1e-12), seed=3, level=0.0).broadened
    assert found is not None
    assert "nowhere" in found.why
    assert found.trusted.mean() < 0.2


def test_an_offset_as_large_as_the_broadened_current_takes_its_trust() -> None:
    """It needs twice what the offsets found can do."""
    metal = spectrum_of(Bench(white_A=1e-12), density="flat", shift_V=0.08, broadening_V=0.05)
    assert metal.broadened is not None
    near = np.abs(np.abs(metal.bias) - 0.06) < 0.02
    assert not metal.broadened.trusted[near].any()
    assert metal.broadened.trusted[np.abs(metal.bias) > 1.3].any()


@pytest.mark.parametrize("spectra", [{"beside": "none"}, {"normalise": "exponential", "broadening_V": 0.5}])
def test_it_stands_beside_the_plain_form_only(spectra: dict) -> None:
    assert spectrum_of(**spectra).broadened is None


def test_the_band_holds_the_truth_convolved_the_same_way() -> None:
    """95 % bands at every trusted point, noise of the gap that is slow, the width chosen by the rule in each trial; the
    study has more trials and kinds of noise."""
    bench = Bench(white_A=1e-12, gap_noise=0.03, gap_noise_slope=1, setpoint_scatter=0.03)
    held = []
    for seed in range(10):
        found = spectrum_of(bench, seed).broadened
        assert found is not None
        true = truth_by_sum(found.width_V)
        inside = (found.low < true) & (true < found.high)
        held.append(inside[found.trusted].mean())
    assert 0.89 < np.mean(held) < 0.995


@cache
def smoothed() -> tuple[np.ndarray, np.ndarray]:
    bias = junction().sweeps.axis
    smoother = make_smoother(bias, width_V=WIDTH)
    zero = np.interp(0.0, bias, smoother.apply(junction().clean))
    return smoother.differentiate(junction().clean), smoother.apply(junction().clean) - zero


def truth_by_sum(width: float) -> np.ndarray:
    """Of an exponential kernel: the bias axis is even, so sums over points do."""
    bias, (slope, smooth) = junction().sweeps.axis, smoothed()
    at_zero = np.abs(bias) < 1e-9
    chord = np.where(at_zero, slope, smooth / np.where(at_zero, 1, bias))
    step = bias[1] - bias[0]
    weights = np.exp(-np.abs(bias[:, None] - bias) / width)
    np.fill_diagonal(
        weights, width * (1 - np.exp(-step / 2 / width)) / (width * np.sinh(step / 2 / width))
    )  # over a cell
    return slope / (weights @ chord / weights.sum(axis=1))


def test_a_factor_common_to_all_sweeps_widens_the_band_by_what_it_moves() -> None:
    """Against the quotient made anew from currents times (1 + r(V)): first order, r of 0.1 %."""
    spectrum = spectrum_of(Bench(), broadening_V=0.6)
    beside, v = spectrum.broadened, spectrum.bias
    assert beside is not None
    relative = 1e-3 * np.abs(v)
    wider = widened_by_factor(beside, v, spectrum.current, spectrum.didv, relative, reach=1.96)
    current, slope = (
        spectrum.current * (1 + relative),
        spectrum.didv * (1 + relative) + spectrum.current * np.gradient(relative, v),
    )
    moved = normalise(v, current, slope, kind="exponential", broadening_V=0.6)[0] - beside.value
    assert wider is not None
    assert_allclose(np.sqrt(wider.se**2 - beside.se**2), np.abs(moved), rtol=0.02, atol=1e-6)
    assert widened_by_factor(None, v, spectrum.current, spectrum.didv, relative, reach=1.96) is None
