"""From sweeps to sites, tips and groups of tips.

Sites are the replicates of a tip, tips are the replicates of a group. Nothing here tests over pooled curves, since
curves of one tip resemble each other: four tips a side with 25 curves each and half the variance between tips give
a "significant" difference in half of all comparisons of equal tips.
"""

from sts.comparing.calibration import STEP_HEIGHTS, Calibration, calibrate, calibration_factor
from sts.comparing.components import advice, variance_components
from sts.comparing.control_chart import Chart, chart_days
from sts.comparing.day_scatter import borrowed
from sts.comparing.groups import GroupComparison, compare_groups
from sts.comparing.paired import StateComparison, compare_states
from sts.comparing.pairs import compare_pairs
from sts.comparing.sites_and_tips import site_level, tip_level
from sts.comparing.uncertainty_budget import budget, corrected_barrier
from sts.comparing.verdicts import VERDICTS, TipTables, tip_verdicts

__all__ = [
    "STEP_HEIGHTS",
    "VERDICTS",
    "Calibration",
    "Chart",
    "GroupComparison",
    "StateComparison",
    "TipTables",
    "advice",
    "borrowed",
    "budget",
    "calibrate",
    "calibration_factor",
    "chart_days",
    "compare_groups",
    "compare_pairs",
    "compare_states",
    "corrected_barrier",
    "site_level",
    "tip_level",
    "tip_verdicts",
    "variance_components",
]
