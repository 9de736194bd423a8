"""Gaps, lock-in and verdicts: bands of the quotient with broadened I/V, ratios of lock-in and current, intervals of scatter.

The junction has 1.15 eV between its bands at 77 K; eight repeats, up and down. The truth of the broadened quotient: the noise-free
current through the same smoothing and the same kernel, summed point by point.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from sts.comparing.scatter_intervals import between_interval, median_interval, within_interval
from sts.curves import make_smoother
from sts.flags import no_flags
from sts.plan import Plan
from sts.simulate import Bench, Simulated, apply_bench, gapped, simulate_iv
from sts.spectra import average_spectrum
from sts.spectra.lockin.comparison import calibrate_lockin, integral_ratio
from studies import Finding, mean_error

TITLE = "Broadened I/V in a gap, lock-in against the current, intervals of noise and scatter"
WIDTH = 0.08
NOISES = {
    "white": Bench(white_A=1e-12, setpoint_scatter=0.03),
    "shot": Bench(white_A=0.5e-12, shot_bandwidth_Hz=1e4, setpoint_scatter=0.03),
    "1/f": Bench(white_A=1e-12, gap_noise=0.03, gap_noise_slope=1, setpoint_scatter=0.03),
}
KINDS = ("exponential", "gaussian")


def run(quick: bool = False, seed: int = 0) -> list[Finding]:
    """All figures; `quick` cuts the trials to a fifth, and widens the bounds of shares."""
    trials = 30 if quick else 150
    states = gapped(valence_eV=-0.6, conduction_eV=0.55)
    ideal = simulate_iv(density=states, sweeps=8, bias=(-1.4, 1.4, 141), temperature_K=77.0)
    bands = [_band(ideal, noise, bench, kind, trials, seed) for noise, bench in NOISES.items() for kind in KINDS]
    shares = _lockin(20 * trials, seed) + _scatter(20 * trials, seed)
    return [*bands, *(f.widened() for f in shares)] if quick else bands + shares


def _band(ideal: Simulated, noise: str, bench: Bench, kind: str, trials: int, seed: int) -> Finding:
    """Coverage at trusted points, the width chosen by the rule in each trial."""
    bias = ideal.sweeps.axis
    smoother = make_smoother(bias, width_V=WIDTH)
    slope, smooth = smoother.differentiate(ideal.clean), smoother.apply(ideal.clean)
    smooth = smooth - np.interp(0.0, bias, smooth)
    zero = np.abs(bias) < 1e-9
    chord = np.where(zero, slope, smooth / np.where(zero, 1.0, bias))
    plan = Plan.model_validate({"spectra": {"smoothing_width_V": WIDTH, "beside": kind}})
    held = []
    for trial in range(trials):
        current, _ = apply_bench(ideal.sweeps.current, bench, np.random.default_rng([seed, trial]), time_step_s=2.5e-3)
        sweeps = replace(ideal.sweeps, current=current)
        made = average_spectrum(sweeps, plan, used=sweeps.names, flags=no_flags()).broadened
        assert made is not None
        u = np.abs(bias[:, None] - bias) / made.width_V
        weights = np.exp(-u) if kind == "exponential" else np.exp(-4 * np.log(2) * u**2)
        truth = slope / (weights @ chord / weights.sum(axis=1))
        held.append(((made.low < truth) & (truth < made.high))[made.trusted].mean())
    wider = 200 * np.sqrt(0.05 * 0.95 / (8 * trials))
    measure = "coverage of the 95 % band of (dI/dV) over broadened I/V [%]"
    return Finding(
        f"{noise} noise, {kind} kernel",
        measure,
        100 * float(np.mean(held)),
        93 - wider,
        97 + wider,
        trials,
        100 * mean_error(held),
    )


def _lockin(trials: int, seed: int) -> list[Finding]:
    """A parabolic dI/dV, noise in both channels: intervals of the gain and of the integral, and how often a verdict is wrong."""
    v = np.linspace(-1, 1, 120)
    conductance, current = 1e-9 * (1 + v**2), 1e-9 * (v + v**3 / 3)
    found = []
    for sweeps in (1, 2, 4, 12):
        rng = np.random.default_rng([seed, sweeps])
        whole, wrong = 0, 0
        for _ in range(trials):
            lockin = conductance + 1e-10 * rng.standard_normal((sweeps, v.size))
            each = current + 2e-11 * rng.standard_normal((sweeps, v.size))
            ends = integral_ratio(v, lockin, each)
            whole += ends.low < 1 < ends.high
            didv = conductance + 1.5e-10 * rng.standard_normal((sweeps, v.size))
            se = np.full(v.size, 1.5e-10 / np.sqrt(sweeps))
            wrong += calibrate_lockin(lockin, didv, didv_se=se, end_to_end=ends).agrees is False
        case = f"{sweeps} noisy sweep{'s' if sweeps > 1 else ''}"
        found += [
            Finding(
                case, "coverage of the 95 % interval of ∫lock-in dV / ΔI [%]", 100 * whole / trials, 93, 98.5, trials
            ),
            Finding(case, "lock-in of the right gain called a mismatch [%]", 100 * wrong / trials, 0, 5, trials),
        ]
    return found


def _scatter(trials: int, seed: int) -> list[Finding]:
    rng = np.random.default_rng([seed, 7])
    found = []
    for n in (6, 12, 30):
        ends = np.array([median_interval(row) for row in np.exp(0.5 * rng.standard_normal((trials, n)))])
        share = 100 * float(np.mean((ends[:, 0] < 1) & (ends[:, 1] > 1)))
        found.append(
            Finding(f"{n} skewed values", "coverage of the 95 % interval of a median [%]", share, 94.5, 98.5, trials)
        )
    for counts in ((8, 8, 8, 8), (2, 3, 9, 5)):
        ends = np.array(
            [within_interval([rng.standard_normal(n).std(ddof=1) for n in counts], counts) for _ in range(trials)]
        )
        share = 100 * float(np.mean((ends[:, 0] < 1) & (ends[:, 1] > 1)))
        case = f"sites of {', '.join(map(str, counts))} repeats"
        found.append(Finding(case, "coverage of the 95 % interval of scatter within sites [%]", share, 93, 97, trials))
    for tau in (0.0, 1.0, 4.0):
        u = np.array([0.5, 1.0, 1.0, 1.5])
        rows = tau * rng.standard_normal((trials // 4, 4)) + u * rng.standard_normal((trials // 4, 4))
        ends = np.array([between_interval(row, u) for row in rows])
        share = 100 * float(np.mean((ends[:, 0] <= tau) & (tau <= ends[:, 1])))
        case = f"four sites, scatter {tau:g} of their uncertainty"
        found.append(
            Finding(case, "coverage of the 95 % interval of scatter between sites [%]", share, 93, 98.5, trials // 4)
        )
    return found
