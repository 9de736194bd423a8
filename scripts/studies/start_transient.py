"""Start transients of I(V) sweeps: how many are found at three times the noise, and how often a settled bench is accused.

Up and down on one axis, 3 and 6 repeats. Time constants of 5 to 24 of 200 samples, sizes of either sign; the noise is that of a
sample at the start. A settled bench has white or 1/f noise, ripple, drift with offsets, displacement current and lag.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from sts.simulate import Bench, gapped, simulate_iv, superconductor, v_shaped
from sts.spectra.start_transient import find_start_transients
from studies import Finding

TITLE = "I(V): transients at the start of a sweep"
SIZE = 3.0  # of a transient over the noise
DENSITIES: dict[str, dict[str, Any]] = {
    "ohmic": {"density": "flat"},
    "V-shaped": {"density": v_shaped(floor=0.3, per_eV=1.5)},
    "one-sided gap": {"density": gapped(valence_eV=-1.2, conduction_eV=0.3), "bias": (-1.5, 1.5, 201)},
    "superconducting": {"density": superconductor(gap_eV=1.35e-3), "bias": (-8e-3, 8e-3, 201), "temperature_K": 1.8},
}
COMMON = {"white_A": 2e-12, "setpoint_scatter": 0.05}
BENCHES: dict[str, tuple[dict[str, float], float]] = {  # faults, and the noise at the start [A] for 1 nA there
    "white noise": ({}, 2e-12),
    "1/f noise": ({"gap_noise": 0.03, "gap_noise_slope": 1.0}, 3e-11),
    "ripple": ({"ripple_A": 9e-12}, 6.7e-12),
    "drift, offsets": ({"drift_m_per_s": 5e-12, "current_offset_A": 5e-12, "bias_offset_V": 1e-4}, 2e-12),
    "displacement, lag": ({"capacitance_F": 1e-12, "lag_s": 5e-4}, 2e-12),
}


def run(quick: bool = False, seed: int = 0) -> list[Finding]:
    """All benches and densities; `quick` takes a tenth of the trials, and widens the bounds."""
    trials = 2 if quick else 20
    findings = []
    for bench, (faults, noise) in BENCHES.items():
        found = false = sweeps = 0
        for arguments in DENSITIES.values():
            for trial in range(trials):
                rng = np.random.default_rng([seed, trial])
                count = (3, 6)[trial % 2]
                size, tau = SIZE * noise * rng.choice([-1, 1]), float(np.exp(rng.uniform(np.log(0.0125), np.log(0.06))))
                for one in (0.0, size):
                    settings = Bench(**(COMMON | faults), transient_A=one, transient_s=tau)
                    made = simulate_iv(sweeps=count, bench=settings, seed=rng, **arguments).sweeps
                    flagged = len(find_start_transients([made]))
                    found, false = (found + flagged, false) if one else (found, false + flagged)
                sweeps += 2 * count
        findings += [
            Finding(bench, "transients of three times the noise found [%]", 100 * found / sweeps, 95.0, 100.0, sweeps),
            Finding(bench, "settled sweeps called settling [%]", 100 * false / sweeps, 0.0, 1.0, sweeps),
        ]
    return [finding.widened() for finding in findings] if quick else findings
