"""Columns that the terminal shows of the tables of results."""

from __future__ import annotations

from collections.abc import Sequence

from sts.cli.terminal import Columns, number, probability, size, text

VERDICTS: Columns = {
    "sample": ("sample", text), "tip": ("tip", text), "verdict": ("verdict", text), "barrier_eV": ("barrier eV", number(3)),
    "sweeps": ("used", number(0)), "lost": ("left out", number(0)), "jumps": ("jumps", number(0)), "reasons": ("why", text),
}  # fmt: skip
SPECTRA: Columns = {
    "label": ("spectrum", text), "sweeps_used": ("used", number(0)), "sweeps_omitted": ("omitted", number(0)),
    "resolution_meV": ("resolution", size("meV")), "gap_meV": ("gap", size("meV", 4)), "gap_se_meV": ("u", size("meV", 2)),
    "gap_method": ("gap from", text), "didv_from": ("dI/dV from", text), "flags": ("flags", text),
}  # fmt: skip
LOCKIN: Columns = {
    "label": ("spectrum", text), "lockin_gain": ("lock-in / dI/dV", number(4)), "lockin_gain_low": ("from", number(4)),
    "lockin_gain_high": ("to", number(4)), "lockin_integral": ("∫lock-in dV / ΔI", number(4)),
    "lockin_integral_low": ("from", number(4)), "lockin_integral_high": ("to", number(4)), "lockin": ("verdict", text),
}  # fmt: skip
# Tables of barriers: title, columns, those that may go; LEVEL stands for the level of the intervals.
BARRIERS: dict[str, tuple[str, Columns, Sequence[str]]] = {
    "steps": ("Tips that changed on the way", {
        "tip": ("tip", text), "last_before": ("after sweep", text), "before_eV": ("before eV", number(3)),
        "before_low_eV": ("LEVEL", number(3)), "before_high_eV": ("to", number(3)), "after_eV": ("after eV", number(3)),
        "after_low_eV": ("LEVEL", number(3)), "after_high_eV": ("to", number(3)),
    }, ()),
    "tips": ("Apparent barrier height by tip", {
        "sample": ("sample", text), "tip": ("tip", text), "sites": ("sites", number(0)), "sweeps": ("sweeps", number(0)),
        "barrier_eV": ("barrier eV", number(3)), "barrier_low_eV": ("LEVEL", number(3)),
        "barrier_high_eV": ("to", number(3)), "barrier_se_eV": ("u eV, without the height scale", number(3)),
        "total_se_eV": ("u in total eV", number(3)), "total_low_eV": ("in total, LEVEL", number(3)),
        "total_high_eV": ("to", number(3)),
    }, ()),
    "unassigned": ("Sweeps that stand for no tip, and are not compared", {
        "unassigned": ("series (# is a number)", text), "sweeps": ("sweeps", number(0)), "used": ("used", number(0)),
        "median_eV": ("median eV", number(3)), "lowest_eV": ("lowest", number(3)), "highest_eV": ("highest", number(3)),
    }, ()),
    "pairs": ("Pairs of tips", {
        "tip_a": ("tip", text), "tip_b": ("against", text), "ratio": ("ratio", number(3)),
        "ratio_low": ("LEVEL", number(3)), "ratio_high": ("to", number(3)), "p_adjusted": ("p (adjusted)", probability),
        "verdict": ("verdict", text),
    }, ()),
    "groups": ("Groups of tips (a tip is one replicate)", {
        "sample": ("sample", text), "group": ("group", text), "tips": ("tips", number(0)),
        "barrier_eV": ("barrier eV", number(3)), "barrier_low_eV": ("LEVEL", number(3)),
        "barrier_high_eV": ("to", number(3)), "between_tip_sd_percent": ("between tips %", number(1)),
        "names": ("names", text),
    }, ("between_tip_sd_percent",)),
    "changes": ("Changes of tips: barrier in the later state over that in the first", {
        "sample": ("sample", text), "tip": ("tip", text), "state_b": ("state", text), "state_a": ("over", text),
        "ratio": ("ratio", number(3)), "ratio_low": ("LEVEL", number(3)), "ratio_high": ("to", number(3)),
        "p_adjusted": ("p (adjusted)", probability), "verdict": ("verdict", text), "units": ("paired", text),
        "dof": ("dof", number(1)), "seen_from_percent": ("would show from %", number(1)),
    }, ("sample", "dof")),
    "states": ("Apparent barrier height by tip and state", {
        "sample": ("sample", text), "tip": ("tip", text), "state": ("state", text), "sites": ("sites", number(0)),
        "sweeps": ("sweeps", number(0)), "barrier_eV": ("barrier eV", number(3)), "barrier_low_eV": ("LEVEL", number(3)),
        "barrier_high_eV": ("to", number(3)),
    }, ("sample",)),
}  # fmt: skip

COMPARED = ("steps", "changes", "states", "tips", "unassigned", "pairs", "groups")
