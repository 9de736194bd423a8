"""A virtual junction: I(V) and I(z) sweeps with the faults of a bench, and the truth beside them.

It knows only the constants and the data model, so that what tests the tool does not share its mistakes.
"""

from .bench import Bench, Drawn, apply_bench, coloured_noise, draw_faults
from .densities import DENSITIES, Density, flat, gapped, make_density, superconductor, two_peaks, v_shaped
from .junction import Junction, lockin_conductance, planar_current_density, tunnel_conductance, tunnel_current
from .presets import PRESETS, SimulatePlan, read_simulate_plan, simulate, simulate_plan, sweep_text
from .simulated import Simulated
from .sweeps import BiasRamp, HeightRamp, simulate_iv, simulate_iz

__all__ = [
    "DENSITIES",
    "PRESETS",
    "Bench",
    "BiasRamp",
    "Density",
    "Drawn",
    "HeightRamp",
    "Junction",
    "SimulatePlan",
    "Simulated",
    "apply_bench",
    "coloured_noise",
    "draw_faults",
    "flat",
    "gapped",
    "lockin_conductance",
    "make_density",
    "planar_current_density",
    "read_simulate_plan",
    "simulate",
    "simulate_iv",
    "simulate_iz",
    "simulate_plan",
    "superconductor",
    "sweep_text",
    "tunnel_conductance",
    "tunnel_current",
    "two_peaks",
    "v_shaped",
]
