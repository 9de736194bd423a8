"""Write the reference pages of ``docs/reference``, and the page of outside checks, from the code and the tests:
``python scripts/docs.py`` (``--check``: only compare).

The commands, plan keys, flags and public names stand in the code already; a page written by hand would drift from it.
Columns have no description in the code: they stand here, and a test compares them with the tables of a real report.
Runs in the environment of the scripts.
"""

from __future__ import annotations

import inspect
import re
import sys
from pathlib import Path
from typing import Any, Literal, get_args, get_origin

import _outside
import click
from pydantic import BaseModel

import sts
from sts.cli import cli
from sts.flags import FLAGS
from sts.plan import Plan
from sts.report.arrays import RESULTS_FORMAT
from sts.report.write import MOST_ROWS
from sts.spectra.models import MODELS

FOLDER = Path(__file__).resolve().parent.parent / "docs" / "reference"
MARK = "<!-- Written by scripts/docs.py from the code; do not edit. -->"

_WHO = {
    "sweep": "name of the sweep, unique in the session",
    "kind": "`iv` or `iz`",
    "sample": "sample",
    "tip": "tip",
    "day": "day it was measured: the logbook's, else the date of its start, else the session merged; empty where nothing tells",
    "site": "place on the sample; one of the same name on another day is another",
    "direction": "`up` or `down` (bias), `retract` or `approach` (height)",
    "repeat": "number of the repeat",
}
_BARRIER = {
    "barrier_eV": "apparent barrier height",
    "barrier_se_eV": "its standard uncertainty, without the height scale",
    "barrier_low_eV": "lower end of its interval (95 % unless the plan says otherwise)",
    "barrier_high_eV": "upper end",
}
_LEVEL = {
    **_BARRIER,
    "between_site_sd_eV": "standard deviation between the sites of this tip, the noise of each site taken off",
    "calibration_se_eV": "what the height scale adds; common to all tips",
    "total_se_eV": "both together; empty where the height scale was not calibrated: there is no total then",
    "decay_per_nm": "\\|d ln I/dz\\| = 2κ",
    "decay_se_per_nm": "its standard uncertainty, without what all sweeps of the bench share",
    "decay_common_per_nm": "by how much it moves with one standard uncertainty of the bench's zero of the current",
    "dof": "degrees of freedom of the interval",
    "repeats": "repeats below this row",
}
_GROUP = {
    "sample": "sample",
    "tip": "tip, or that it is an average over tips",
    "setpoint_current_A": "set-point current (or the columns of `spectra.by`)",
}

DIDV_FROM = {  # columns of the same table where it was recorded beside a current
    "didv_from": "channel that dI/dV comes from, where a lock-in channel was recorded beside the current: current or lock-in",
    "didv_from_why": "why, in words",
    "didv_gain": "dI/dV in siemens per unit of the lock-in channel, from its integral against the current",
    "didv_gain_se": "its standard uncertainty",
    "didv_zero_S": "dI/dV where the channel reads zero; 0 where it cannot be told from the gain",
    "didv_zero_se_S": "its standard uncertainty",
}
STATED = {  # columns of `spectra_summary.csv` where an electron temperature or a common axis was asked for
    "resolution_se_meV": "standard uncertainty of the resolution, by that of the electron temperature",
    "electron_temperature_K": "electron temperature that the logbook states, or that was measured; `temperature_K` is the same",
    "electron_temperature_se_K": "its standard uncertainty",
    "bath_temperature_K": "temperature of the bath beside it",
    "axis_meV": "width that bringing sweeps to a common axis adds (`spectra.axis`), where the plan says so",
}
LOCKIN = {  # columns of `spectra_summary.csv` where there was a lock-in channel
    "lockin_gain": "lock-in over numerical dI/dV, where both were recorded",
    "lockin_gain_se": "its standard uncertainty",
    "lockin_gain_low": "lower end of its interval",
    "lockin_gain_high": "upper end",
    "lockin_intercept": "zero of the lock-in against the numerical dI/dV, in its unit",
    "lockin_intercept_se": "its standard uncertainty",
    "lockin_integral": "∫lock-in dV over the change of the current from end to end, for a lock-in in siemens",
    "lockin_integral_se": "its standard uncertainty",
    "lockin_integral_low": "lower end of its interval",
    "lockin_integral_high": "upper end",
    "lockin_sweeps": "sweeps that hold both",
    "lockin": "whether they agree, in words",
}

_RECORD_FACTS = {
    "sites": "sites with a barrier", "sweeps": "sweeps used, I(z) and I(V)", "lost": "sweeps left out",
    "noise_pA": "median noise of the I(z) sweeps; of a tip, of its days",
    "noise_low_pA": "its interval starts here (ranks; six or more)",
    "noise_high_pA": "and ends here", "jumps": "sweeps with the flag jump, used or not",
    "jumps_per_100": "that per 100 sweeps recorded", "jumps_low_per_100": "its interval starts here (exact for counts, Garwood)",
    "jumps_high_per_100": "and ends here", "drift_pm_per_s": "median size of the drift from retract and approach",
    "drift_low_pm_per_s": "its interval starts here (ranks; six or more)", "drift_high_pm_per_s": "and ends here",
    "gap": "whether the spectrum of most sweeps has a gap: yes, no, or a dip that is no gap; of a tip, on how many days",
    "gap_meV": "its size; of a tip, the median over days", "gap_se_meV": "its standard uncertainty",
}  # fmt: skip
TABLES: dict[str, dict[str, str]] = {
    "sweeps.csv": {
        **_WHO,
        "unassigned": "of a sweep that stands for no tip: its series, by folder and kind of file name",
        "flags": "reasons to doubt it, joined by `;`",
        "reasons": "the same in words, with sizes; a decision first",
        "used": "whether it enters averages and fits",
        "decided_by": "`rule` or `person`",
        "by": "that person's name; empty where it was not recorded",
    },
    "flags.csv": {
        "sweep": _WHO["sweep"],
        "flag": "the flag",
        "detail": "its size in words",
        "times_limit": "how many times its limit the size is; empty where there is no limit",
    },
    "sources.csv": {
        "name": "name of the file",
        "sha256": "checksum of its bytes",
        "size": "bytes",
        "reader": "how it was read",
        "recipe": "with which recipe",
        "imported": "when (UTC)",
        "sweeps": "sweeps found in it",
        "notes": "what the reader noticed",
        "path": "folder (from the imported one down) and name",
        "above": "folders above that",
        "modified": "when the file was last written (UTC)",
        "session": "the session it came from, where sessions were merged",
    },
    "decisions.csv": {
        "time": "when (UTC)",
        "sweep": _WHO["sweep"],
        "action": "omit, keep or undo",
        "why": "the reason",
        "by": "who decided; empty where it was not recorded",
    },
    "calibrations.csv": {
        "kind": "height or current",
        "factor": "true = factor × nominal",
        "factor_se": "its standard uncertainty",
        "measured": "what this bench measured [m or A]",
        "known": "the true value [m or A]",
        "source": "where the known value comes from",
        "time": "when it was stored (UTC); the last of a kind and session is in force",
        "session": "the session merged for whose sweeps it holds; empty: those imported directly",
        "dof": "degrees of freedom of factor_se; empty: taken as known",
        "temperature_K": "temperature of the piezo when it was measured; empty: not recorded",
    },
    "barrier_sweeps.csv": {
        **{name: _WHO[name] for name in ("sweep", "sample", "tip", "day", "site", "direction", "repeat")},
        **_BARRIER,
        "decay_per_nm": _LEVEL["decay_per_nm"],
        "decades": "decades of current above the noise",
        "offset_pA": "fitted current offset",
        "noise_pA": "standard deviation of the electronics noise",
        "points": "samples in the fit",
        "from_nm": "start of the fitted range",
        "to_nm": "end of the fitted range",
        "reduced_chi2": "about 1 where the noise model holds",
        "barrier_log_eV": "the plain log fit, to compare with; see [why not a log fit](../why-not-a-log-fit.md)",
        "flags": "reasons to doubt it, joined by `;`",
        "used": "whether it enters the averages",
        "decay_se_per_nm": "standard uncertainty of the decay, that of the bench's zero of the current in it",
        "decay_common_per_nm": _LEVEL["decay_common_per_nm"],
        "decay_motion_per_nm": "by how much a loop or creep of the piezo moves it, with its sign; 0: none is told",
        "decay_rounding_per_nm": "the part of its uncertainty that a converter's coarse steps make alike in repeats; 0: none",
        "dof": "degrees of freedom of the interval",
        "choice_spread_eV": "how far the barrier moves when the range is cut",
        "slow_correlation": "correlation of the residuals that is slow compared with the samples",
        "offset_se_pA": "standard uncertainty of the offset",
        "shot_bandwidth_Hz": "bandwidth B that fits the shot noise 2eB\\|I\\|",
        "gap_percent": "noise in proportion to the current (gap noise)",
        "amplitude_pA": "fitted current at the start of the height axis",
        "barrier_modulation_eV": "from the lock-in channel, where dI/dz or an amplitude of the height is known",
        "barrier_modulation_se_eV": "its standard uncertainty, from the scatter about a straight line against the current",
        "lag_nm": "length over which the start of a ramp is flattened, where an amplifier lag was found",
        "lag_ms": "the same as a time constant",
        "lag_se_ms": "its standard uncertainty",
        "duration_s": "time the ramp took",
        "range_nm": "length of the ramp",
    },
    "barrier_steps.csv": {
        "sample": "sample",
        "tip": "a tip that changed on the way",
        "last_before": "the last sweep before the change",
        "first_after": "the first after it",
        **{f"{when}{end}_eV": f"barrier {when} the change{words}" for when in ("before", "after")
           for end, words in (("", ""), ("_low", ", lower end of its interval"), ("_high", ", upper end"))},
        "ratio": "barrier after over before",
        "ratio_low": "lower end of its interval",
        "ratio_high": "upper end",
        "repeats_before": "repeats before the change",
        "repeats_after": "repeats after it",
        "earliest": "with 95 % the change came after this sweep ...",
        "latest": "... and before this one",
        "places_may_differ": "whether no site was measured on both sides, so that unlike places would look the same",
        "evidence": "ln of how much likelier the slopes are with the change than without",
        "day": "day of the change, where there are several",
        "time": "on the clock of the last sweep before; empty where none is recorded",
        "order": "on what the order of the sweeps rests",
        "iv_after": "I(V) sweeps of the tip after the change; empty where no clock tells",
    },
    "barrier_runs.csv": {
        "sample": "sample",
        "tip": "tip",
        "site": "a site whose repeats run away",
        "first_sweep": "first sweep of the stay",
        "last_sweep": "last sweep of it",
        "repeats": "repeats of the stay",
        "first_eV": "barrier of the first repeat",
        "last_eV": "barrier of the last",
        "evidence": "ln of how much likelier the slopes are if they run away",
        "day": "day of the stay, where there are several",
    },
    "barrier_unassigned.csv": {
        "sample": _WHO["sample"],
        "unassigned": "series of sweeps that stand for no tip: folder and kind of file name, # for a number",
        "sweeps": "sweeps of the series",
        "used": "those with a barrier that rules and decisions left",
        "median_eV": "median of their barriers; no interval, since nobody knows of what they are replicates",
        "lowest_eV": "smallest of them",
        "highest_eV": "largest of them",
    },
    "barrier_directions.csv": {
        **{name: _WHO[name] for name in ("sample", "tip", "day", "site", "repeat")},
        "retract": "name of the retract sweep",
        "approach": "name of the approach sweep",
        "decay_per_nm": "mean of both decays; steady drift cancels in it",
        "decay_se_per_nm": "its standard uncertainty",
        "difference_percent": "retract against approach",
        "drift_pm_per_s": "drift of the gap that would explain the difference",
        "drift_se_pm_per_s": "its standard uncertainty",
        "agree": "whether the two agree within their uncertainty",
    },
    "barrier_sites.csv": {
        **{name: _WHO[name] for name in ("sample", "tip", "day", "site")},
        "sweeps": "sweeps used",
        **_LEVEL,
        "repeat_sd_eV": "standard deviation between repeats",
        "scatter_ratio": "scatter between repeats divided by what their fits expect",
        "note": "how the uncertainty was made, where it is not the usual way",
    },
    "barrier_tips.csv": {
        "sample": "sample",
        "tip": "tip",
        "sweeps": "sweeps used",
        "sites": "sites: the replicates of a tip",
        **_LEVEL,
        "site_noise_eV": "what the noise within sites contributes",
        "scatter_dof": "degrees of freedom of the scatter between the sites of all tips of the sample, from which each tip's is "
        "moderated; inf where tips stand by themselves",
        "note": "how the uncertainty was made, where it is not the usual way",
        "days": "days on which it was measured: its replicates where there are several",
        "between_day_sd_eV": "standard deviation between days, what sites make of it taken off; empty for one day",
        "total_low_eV": "lower end of the interval that holds the height scale, too; empty where that was not calibrated",
        "total_high_eV": "its upper end",
        "average": "of which slope 2κ barrier_eV is: the mean over sites (mean), or their geometric mean (compare.average in "
        "the plan)",
    },
    "tip_verdicts.csv": {
        "sample": "the sample", "tip": "the tip; one row per tip and sample, best first",
        "verdict": "use, use with care, too little data or do not use, by the rules of the plan (section verdict)",
        "reasons": "why, in words, joined by ;", "barrier_eV": "its barrier", "barrier_low_eV": "the interval starts here",
        "barrier_high_eV": "and ends here", "sites": "sites with a barrier", "sweeps": "sweeps used, I(z) and I(V)",
        "lost": "sweeps left out", "jumps": "sweeps that jump, used or not", "noise_pA": "median noise of its I(z) sweeps",
        "noise_ratio": "that over the median of the other tips", "between_sites_percent": "scatter between sites, of the barrier",
        "within_sites_percent": "scatter between repeats of a site, of the barrier",
        "drift_pm_per_s": "median size of the drift from retract and approach", "pairs_agree": "pairs of directions that agree",
        "pairs_of_directions": "of so many", "reads_less_than": "tips than which it is shown to read less (plan: ratio_care)",
        "noise_low_pA": "the interval of the noise starts here (ranks; six sweeps or more at 95 %)",
        "noise_high_pA": "and ends here",
        "noise_sweeps": "sweeps it comes from",
        "between_sites_low_percent": "the interval of the scatter between sites starts here (Q profile; three sites or more)",
        "between_sites_high_percent": "and ends here",
        "within_sites_low_percent": "the interval of the scatter within sites starts here (chi-square)",
        "within_sites_high_percent": "and ends here",
        "drift_low_pm_per_s": "the interval of the drift starts here (ranks; six pairs or more at 95 %)",
        "drift_high_pm_per_s": "and ends here",
    },
    "tips.csv": {
        "sample": "the sample", "tip": "the tip; one row per tip and sample, over all days (`sts tips`)",
        "state": "as it was, changed, or cannot be told: by the chart of its days",
        "verdict": "that of its last day", "sentence": "the state in words, with sizes", "days": "days on which it was measured",
        "first_day": "the first", "last_day": "and the last",
        "changed_on": "first days outside their limits, after which it stayed so",
        "off_on": "days outside their limits after which it was as before",
        "ratio": "barrier since the last change over that before it",
        "ratio_low": "its interval starts here", "ratio_high": "and ends here", "since": "first day since the last change",
        "barrier_eV": "barrier over the days since then (mean of ln φ)",
        "barrier_low_eV": "its interval, with the scatter between days, starts here", "barrier_high_eV": "and ends here",
        "next_low_eV": "limits of a day to come: from here", "next_high_eV": "to here",
        "between_day_sd_percent": "scatter between days, of all tips of the record",
        "scatter_dof": "degrees of freedom it rests on",
        **_RECORD_FACTS, "verdicts": "how many days had which verdict",
    },
    "tip_days.csv": {
        "sample": "the sample", "tip": "the tip; one row per tip, sample and day (`sts tips`)",
        "day": "date of the recorded start; else the session's name", "verdict": "as in tip_verdicts.csv",
        "reasons": "why, joined by ;",
        "like_before": "first day, as before, changed, off that day alone; empty where nothing tells",
        "barrier_eV": "barrier of that day", "barrier_se_eV": "its standard uncertainty, from that day's sites",
        "barrier_low_eV": "its interval starts here", "barrier_high_eV": "and ends here",
        "before_eV": "mean of the days before it, since the last change",
        "limit_low_eV": "limits for the day, from those before: from here",
        "limit_high_eV": "to here", **_RECORD_FACTS, "sessions": "files that hold the sweeps",
    },
    "sessions.csv": {
        "session": "file of a session that `sts tips` was given", "path": "where it lies", "sweeps": "sweeps counted",
        "twice": "sweeps left out, as a session before holds the same", "same_as": "those sessions",
        "without_tip": "sweeps without a tip, which stand in no row", "days": "its days", "why": "why it could not be read",
    },
    "barrier_pairs.csv": {
        "tip_a": "first tip",
        "tip_b": "second tip",
        "ratio": "barrier of `tip_a` divided by that of `tip_b`; free of the height scale",
        "ratio_low": "lower end of its interval, which holds for all pairs together",
        "ratio_high": "upper end",
        "difference_eV": "difference of the barriers",
        "difference_low_eV": "lower end of its interval",
        "difference_high_eV": "upper end",
        "p_adjusted": "p value, adjusted for the number of pairs; empty where no test is made",
        "verdict": "in words",
        "sample": "sample",
        "sites_a": "sites of `tip_a`",
        "sites_b": "sites of `tip_b`",
        "dof": "degrees of freedom",
        "difference_calibration_se_eV": "what the height scale adds to the difference",
    },
    "barrier_changes.csv": {
        "sample": "only tips on the same sample are compared",
        "tip": "tip, or 'all tips' of the sample together",
        "state_a": "state that was measured first, by order of measurement",
        "state_b": "state that it is compared with",
        "ratio": "barrier in state_b over that in state_a",
        "ratio_low": "lower end of its interval; holds for all tips of the sample together",
        "ratio_high": "upper end",
        "p_adjusted": "p value, adjusted for the number of tips and states; empty where there is no test",
        "verdict": "differ, no difference shown, too few sites, or too few tips",
        "units": "what was paired: sites revisited, sites of both states, or tips",
        "dof": "degrees of freedom",
        "seen_from_percent": "rise of the barrier that would be shown in nine of ten such sessions",
        "paired_by": "site or tip",
        "pairs": "sites revisited; for all tips: tips",
        "sites_a": "sites in state_a",
        "sites_b": "sites in state_b",
    },
    "barrier_states.csv": {
        "sample": "sample",
        "tip": "tip",
        "state": "state of the tip",
        "sweeps": "sweeps used",
        "sites": "sites with a barrier",
        "barrier_eV": "apparent barrier height of the tip in that state",
        "barrier_se_eV": "standard uncertainty",
        "barrier_low_eV": "lower end of the interval",
        "barrier_high_eV": "upper end",
        "between_site_sd_eV": "standard deviation between sites, beyond their own uncertainty",
        "calibration_se_eV": "standard uncertainty from the height calibration",
        "total_se_eV": "both together",
    },
    "barrier_groups.csv": {
        "sample": "sample",
        "group": "value of the logbook column",
        "tips": "tips: the replicates of a group",
        "barrier_eV": _BARRIER["barrier_eV"],
        "barrier_low_eV": _BARRIER["barrier_low_eV"],
        "barrier_high_eV": _BARRIER["barrier_high_eV"],
        "between_tip_sd_percent": "standard deviation between tips",
        "names": "the tips",
    },
    "barrier_components.csv": {
        "level": "sweeps, sites or tips",
        "sd_eV": "standard deviation at this level",
        "sd_percent": "the same, relative",
        "share": "share of the variance",
        "units": "how many there are",
        "dof": "degrees of freedom",
        "icc": "intraclass correlation",
        "curves_per_unit": "sweeps a unit",
        "design_effect": "by how much the variance grows because sweeps of one unit are alike",
        "note": "what limits the statement",
    },
    "barrier_budget.csv": {
        "sample": "sample",
        "tip": "tip",
        "component": "source of uncertainty",
        "size_eV": "its standard uncertainty",
        "kind": "random, bench (shared by its sweeps), calibration or model",
        "note": "how it was found",
    },
    "barrier_window.csv": {
        "sweep": _WHO["sweep"],
        "lower_cut_nm": "start of the range tried",
        "upper_cut_nm": "end of the range tried",
        "barrier_eV": "apparent barrier height in that range",
    },
    "spectra.csv": {
        **_GROUP,
        "bias_V": "bias, sample relative to tip",
        "current_A": "averaged current, offsets removed",
        "current_se_A": "its standard uncertainty",
        "didv_S": "dI/dV",
        "didv_se_S": "its standard uncertainty",
        "didv_low_S": "lower end of the band, of dI/dV as smoothed: seen through the stated resolution",
        "didv_high_S": "upper end",
        "normalised": "(dI/dV)/(I/V)",
        "normalised_se": "its standard uncertainty",
        "normalised_low": "lower end of the band",
        "normalised_high": "upper end",
        "trusted": "false where offsets decide the ratio; see [why it is 1 at zero](../why-one-at-zero.md)",
        "broadened": "dI/dV over I/V broadened by a kernel, which runs through a gap; kernel in `spectra_summary.csv`",
        "broadened_se": "its standard uncertainty",
        "broadened_low": "lower end of the band",
        "broadened_high": "upper end",
        "broadened_trusted": "false where the offsets found would move the broadened I/V by half or more, or noise decides it",
        "didv_unsmoothed_low_S": "lower end of a second band, which holds dI/dV without the smoothing (`didv_low_S`: as smoothed)",
        "didv_unsmoothed_high_S": "upper end",
    },
    "spectra_summary.csv": {
        **_GROUP,
        "sweeps_used": "sweeps averaged",
        "sweeps_omitted": "sweeps left out",
        "temperature_K": "temperature",
        "average": "mean, median or geometric mean",
        "smoothing": "operator and width",
        "thermal_meV": "thermal width alone (full width at half height)",
        "modulation_meV": "modulation width alone",
        "smoothing_meV": "smoothing width alone",
        "resolution_meV": "width of all of them convolved",
        "current_offset_pA": "current offset, where it could be told apart",
        "bias_offset_mV": "bias offset, where it could be told apart",
        "displacement_fF": "capacitance of the displacement current, from up and down sweeps",
        "gap_meV": "gap, by the first method that holds",
        "gap_se_meV": "its standard uncertainty",
        "gap_method": "which method",
        "flags": "reasons to doubt it",
        "zero_crossing_mV": "where the current crosses zero",
        "offsets": "what could be said of the offsets, and from what",
        "lag_ms": "lag of the amplifier, from up and down sweeps",
        "drift_per_s": "relative drift of the current, from up and down sweeps",
        "lag_meV": "width the lag adds",
        "reasons": "the flags in words, with sizes",
        "didv_unit": "`S`, or `arb.` where the height axis is arbitrary",
        "broadened_by": "kernel of the broadened I/V: exponential or Gaussian",
        "broadening_meV": "its decay (exponential) or full width at half height (Gaussian)",
        "broadening_from": "what chose that width",
    },
    "spectra_setpoints.csv": {
        "sample": _WHO["sample"],
        "tip": "tip, or the series of sweeps without one; tips are not mixed",
        "gap_method": "how the gaps were found",
        "setpoints": "set-points with a gap",
        "gap_change_meV_per_decade": "change of the gap a decade of set-point current",
        "gap_change_se_meV_per_decade": "its standard uncertainty",
        "trend": "whether that is beyond 1.96 of it",
    },
    "spectra_gaps.csv": {
        **_GROUP,
        "gap_method": "definition of the gap",
        "gap_meV": "gap",
        "gap_se_meV": "its standard uncertainty; twice it is the interval of 95 % (Student's t for few units)",
        "gap_low_meV": "lower end of the interval of 95 %",
        "gap_high_meV": "upper end; of the log onset these hold what blur and a slow rise do to it",
        "lower_edge_V": "edge at negative bias",
        "lower_edge_se_V": "its standard uncertainty",
        "upper_edge_V": "edge at positive bias",
        "upper_edge_se_V": "its standard uncertainty",
        "floor": "level inside the gap that counts as none",
        "floor_to_edge": "floor divided by the level at the edge",
        "exponent": "p of the bands, dI/dV ~ (\\|V\\| - edge)^p: the likeliest of 0, 1/2, 1, 2 unless the plan sets it",
        "note": "what limits the statement",
        "each_found": "repeats (up and down averaged) that show the gap when taken alone",
        "each_median_meV": "median gap of those single repeats",
        "each_low_meV": "their 16 % quantile",
        "each_high_meV": "their 84 % quantile",
    },
    "spectra_peaks.csv": {
        **_GROUP,
        "position_V": "maximum of the peak above the line beside it",
        "position_se_V": "its standard uncertainty; twice it is the interval of 95 % (Student's t for few units)",
        "width_V": "full width at half of its height above that line, as smoothed",
        "width_se_V": "its standard uncertainty",
        "height": "height above that line, in the unit of dI/dV",
        "area": "what lies above it within one width on either side, in that unit times volt",
        "area_se": "its standard uncertainty",
        "flag": "no wider than the resolution, or empty",
        "maximum_V": "maximum of dI/dV itself, which a slope moves",
    },
    "spectra_sweeps.csv": {
        **_GROUP,
        "feature": "gap, lower edge, upper edge, or peak 1, peak 2, ...: up to four, the strongest of the average, by position",
        "sweep": _WHO["sweep"],
        "day": "day of its site",
        "site": _WHO["site"],
        "repeat": "number of its repeat in the spectrum: up and down of one have the same",
        "direction": _WHO["direction"],
        "value_mV": "gap in meV, bias of an edge, or position of a peak, read off this sweep alone",
        "value_se_mV": "its standard uncertainty by the noise of points; slow noise is in the scatter between sweeps only",
        "width_mV": "of a peak, full width at half of its height above the line beside it, as smoothed",
        "width_se_mV": "its standard uncertainty by the noise of points",
        "height": "of a peak, above that line, in the unit of dI/dV",
        "height_se": "its standard uncertainty by the noise of points",
    },
    "spectra_differences.csv": {
        **_GROUP,
        "feature": "as in `spectra_sweeps.csv`",
        "level": "what was compared: sites, or tips where the spectrum is of several",
        "units": "how many of these",
        "repeats": "repeats at all of them (up and down averaged)",
        "lowest": "the one with the lowest mean",
        "lowest_mV": "its mean",
        "highest": "the one with the highest mean",
        "highest_mV": "its mean",
        "p": "chance that equal ones differ so much: analysis of variance, or Cochran's Q where no one has two repeats",
        "differ": "true where that is below 1 % over all features of the spectrum together",
        "against": "what the difference was held against: scatter of repeats, or noise of points (which knows no slow noise)",
    },
}  # fmt: skip


def pages() -> dict[str, str]:
    """The text of every generated page by its place in `FOLDER`."""
    parts = {
        "commands.md": _commands(),
        "plan.md": _plan(),
        "flags.md": _flags(),
        "columns.md": _columns(),
        "api.md": _api(),
        "../validation/outside.md": _outside.page(),
    }
    return {name: f"{MARK}\n\n{text.strip()}\n" for name, text in parts.items()}


def _cell(text: str) -> str:
    """Text that stays in one cell of a table."""
    return " ".join(re.sub(r"(?<!\\)\|", r"\\|", text).split())


def _table(headings: list[str], rows: list[list[str]]) -> str:
    lines = [headings, ["---"] * len(headings), *rows]
    return "\n".join("| " + " | ".join(cells) + " |" for cells in lines)


def _commands() -> str:
    top = click.Context(cli, info_name="sts", help_option_names=cli.context_settings["help_option_names"])
    parts = ["# Commands", ("What `sts COMMAND --help` prints. Exit status: 0 done; 1 done, but some input was left out "
             "(listed); 2 nothing done.")]  # fmt: skip
    for name, command in cli.commands.items():
        context = click.Context(command, info_name=name, parent=top, max_content_width=100, terminal_width=100)
        parts += [f"## sts {name}", f"```text\n{command.get_help(context)}\n```"]
    return "\n\n".join(parts)


def _plan() -> str:
    parts = ["# Plan keys", ("A plan is a TOML file; name only what you change. Every result folder holds `plan.toml` with "
             "all keys, so that the same session and plan give the same numbers again.")]  # fmt: skip
    for section, info in Plan.model_fields.items():
        model = info.annotation
        assert isinstance(model, type)
        assert issubclass(model, BaseModel)
        rows = [
            [f"`{name}`", f"`{_default(field)}`", _cell(_allowed(field)), _cell(field.description or "")]
            for name, field in model.model_fields.items()
        ]
        parts += [
            f"## [{section}]",
            (model.__doc__ or "").strip(),
            _table(["key", "default", "allowed", "meaning"], rows),
        ]
    return "\n\n".join(parts)


def _default(field: Any) -> str:
    value = field.default
    return "not set" if value is None else str(value).lower() if isinstance(value, bool) else str(value)


def _allowed(field: Any) -> str:
    """Type and bounds of a key in short."""
    kind = field.annotation
    many = get_origin(kind) is list
    inner = get_args(kind)[0] if many else kind
    choices = get_args(inner) if get_origin(inner) is Literal else ()
    words = {float: "number", int: "whole number", str: "text", bool: "true or false"}
    shown = ("list of " if many and choices else "") + ", ".join(f"`{choice}`" for choice in choices) or words.get(
        kind, ""
    )
    shown = shown or (
        "number" if "float" in str(kind) else "list of texts" if "list" in str(kind) else "table of texts"
    )
    signs = {"gt": ">", "ge": "≥", "lt": "<", "le": "≤"}
    bounds = [
        f"{sign} {getattr(entry, name):g}"
        for entry in field.metadata
        for name, sign in signs.items()
        if getattr(entry, name, None) is not None
    ]
    return " ".join([shown, *bounds])


def _flags() -> str:
    rows = [[f"`{f.name}`", _cell(f.meaning), _cell(f.remedy), "yes" if f.grave else ""] for f in FLAGS.values()]
    return "\n\n".join([
        "# Flags",
        ("A flag is a reason to doubt a sweep or a result. Its size stands beside it, in `sts check` and in the tables. "
        "Those marked *out* leave a sweep out by rule; the plan key `check.omit` changes the rule, and a person's "
        "decision (`sts mark`) always wins."),
        _table(["flag", "meaning", "remedy", "out"], rows),
    ])  # fmt: skip


def described() -> dict[str, dict[str, str]]:
    """Every described column and its meaning, by table; those that come only where they are asked for among them."""
    models = {name: meaning for model in MODELS for name, meaning in model.meanings().items()}
    more = {"spectra_summary.csv": LOCKIN | DIDV_FROM | STATED | models}
    return {file: columns | more.get(file, {}) for file, columns in TABLES.items()}


def _columns() -> str:
    parts = ["# Table columns", ("CSV: comma, decimal point, UTF-8; unknown is empty. `_se` is one standard uncertainty, "
             "`_low` and `_high` end an interval. Columns of the logbook follow on the right of the tables of sweeps, sites "
             "and tips.\n\n"
             f"**Format {RESULTS_FORMAT}.** It stands in `results.json` (`format`) and `results.h5` (`sts_results_format`). It "
             "is raised, and CHANGELOG.md says so first, where a table or a column vanishes or has another name, or its unit, sign "
             "or meaning changes. It is not where tables or columns are added, at any place, where rows are in another order, or "
             "where a number moves because it is worked out better: so read columns by name, not by place. What is not "
             "described here is not promised.\n\n"
             f"A table of more than {MOST_ROWS:,} sweeps stands in its CSV only; `tables_beside` in `results.json` names it.\n\n"
             "`spectra/*.csv` holds one spectrum each, to be plotted elsewhere: a row per bias, and `bias`, `didv`, "
             "`normalised`, `trusted`, `current` with their bands, the unit and its prefix in the name "
             "(`didv_low_nS`). With `report.decimal = \"comma\"` (`--decimal comma`) these have semicolons and a decimal "
             "comma.")]  # fmt: skip
    for file, columns in TABLES.items():
        rows = [[f"`{name}`", meaning] for name, meaning in columns.items()]
        parts += [f"## {file}", _table(["column", "meaning"], rows)]
        if file == "spectra_summary.csv":
            parts += ["Where a lock-in channel was recorded with the current, these follow on the right:"]
            parts += [
                _table(
                    ["column", "meaning"], [[f"`{name}`", meaning] for name, meaning in (LOCKIN | DIDV_FROM).items()]
                )
            ]
            parts += ["Where an electron temperature is stated, or a common axis asked for, these:"]
            parts += [_table(["column", "meaning"], [[f"`{name}`", meaning] for name, meaning in STATED.items()])]
            parts += ["Columns of the models that the plan asks for follow on the right:"]
            rows = [[f"`{name}`", meaning, f"`features.{model.key}`"] for model in MODELS
                    for name, meaning in model.meanings().items()]  # fmt: skip
            parts += [_table(["column", "meaning", "plan key"], rows)]
    return "\n\n".join(parts)


def _api() -> str:
    rows = []
    for name in sts.__all__:
        if name.startswith("__"):
            continue
        thing = getattr(sts, name, None)
        if thing is None:
            rows.append([f"`{name}`", "", "named, but not to be had in this version"])
            continue
        if not callable(thing):
            rows.append([f"`{name}`", "", "every flag by its name"])
            continue
        signature = _signature(thing)
        first = (inspect.getdoc(thing) or "").split("\n\n")[0]
        rows.append([f"`{name}`", f"`{_cell(signature)}`" if signature else "class", _cell(first)])
    return "\n\n".join([
        "# In Python",
        "The public names of `sts`. `help(sts.analyse)` shows shapes, units and errors.",
        _table(["name", "signature", "what it does"], rows),
    ])  # fmt: skip


def _signature(thing: Any) -> str:
    """The signature of a function, its annotations without the quotes of deferred evaluation; "" for a class."""
    if not inspect.isfunction(thing):
        return ""
    return re.sub(r"""(: |-> )(["'])(.*?)\2(?=,|\)| =|$)""", r"\1\3", str(inspect.signature(thing)))


def main(arguments: list[str]) -> int:
    stale = []
    FOLDER.mkdir(parents=True, exist_ok=True)
    for name, text in pages().items():
        path = FOLDER / name
        if not path.exists() or path.read_text(encoding="utf-8") != text:
            stale.append(name)
            if "--check" not in arguments:
                path.write_text(text, encoding="utf-8", newline="\n")
    if "--check" in arguments and stale:
        print(f"Stale: {', '.join(stale)} in docs/reference. Run: python scripts/docs.py", file=sys.stderr)
        return 1
    print(f"{len(stale)} pages written." if stale else "The reference pages are up to date.")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
