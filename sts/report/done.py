"""What was done in an analysis, counted: rules that left sweeps out, samples masked, zeros removed, directions, replicates."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence

import numpy as np
import pandas as pd

from sts.analysis import Analysis, BarrierAnalysis
from sts.barrier.masks import REASONS
from sts.comparing.averages import MEAN
from sts.curves.replicates import direction_signs, repeat_codes
from sts.plan import CheckPlan
from sts.report.number_words import count, listed, value_with_uncertainty
from sts.spectra.spectrum import Spectrum

# flag: its limit in the plan, in words; the other flags have limits of their own, which the reference of flags tells
LIMITS: dict[str, Callable[[CheckPlan], str]] = {
    "jump": lambda p: f"in I(V) a step of the current by a factor of {p.jump_factor:g} or more",
    "outlier": lambda p: f"more than {p.outlier_cut:g} scaled MAD of ln|I| from the group's median",
    "too few points": lambda p: f"below {p.fewest_points} usable samples of an I(V) sweep",
}


def used_sweeps(barrier: BarrierAnalysis | None) -> pd.DataFrame:
    """The I(z) sweeps that are used and have a tip.

    Parameters
    ----------
    barrier : BarrierAnalysis, optional
    """
    if barrier is None:
        return pd.DataFrame()
    sweeps = barrier.sweeps
    rows: pd.DataFrame = sweeps[sweeps["used"].astype(bool) & (sweeps["unassigned"] == "")]
    return rows


def left_out(analysis: Analysis) -> tuple[str, int]:
    """Counts of the flags by which sweeps were left out by rule, and how many a person left out.

    Parameters
    ----------
    analysis : Analysis
    """
    judged = analysis.judged
    out = judged[~judged["used"].astype(bool)]
    by_rule = set(out.loc[out["decided_by"] != "person", "sweep"])
    asked = analysis.flags[analysis.flags["flag"].isin(analysis.plan.check.omit)]
    counts = asked.loc[asked["sweep"].isin(by_rule), "flag"].value_counts(sort=False)
    words = listed([f"{flag} {number}" for flag, number in counts.items()])
    return words, len(out) - len(by_rule)


def rejection_limits(analysis: Analysis) -> str:
    """The flags that leave a sweep out, with the limits that the plan sets.

    Parameters
    ----------
    analysis : Analysis
    """
    check = analysis.plan.check
    return listed([f"{flag} ({LIMITS[flag](check)})" if flag in LIMITS else flag for flag in check.omit])


def masked_samples(barrier: BarrierAnalysis) -> str:
    """In how many used I(z) sweeps samples were masked, by reason; "" where none was.

    Parameters
    ----------
    barrier : BarrierAnalysis
    """
    sweeps: Counter[str] = Counter()
    for fit in barrier.fits:
        rows = fit.table["used"].to_numpy(bool)
        for number, reason in enumerate(REASONS):
            if number and (touched := int((fit.why_masked[rows] == number).any(axis=1).sum())):
                sweeps[reason] += touched
    return listed([f"{reason} in {number}" for reason, number in sweeps.items()])


def zero_of_current(barrier: BarrierAnalysis) -> list[str]:
    """Where the zero of the current of the used I(z) sweeps comes from, with its size and uncertainty.

    Parameters
    ----------
    barrier : BarrierAnalysis
    """
    used = [fit.fits.good & fit.table["used"].to_numpy(bool) for fit in barrier.fits]
    number = sum(int(rows.sum()) for rows in used)
    if not number:
        return []
    size, error, common = (
        np.concatenate([getattr(fit.fits, name)[rows] for fit, rows in zip(barrier.fits, used, strict=True)])
        for name in ("offset", "offset_se", "decay_common")
    )
    shared = int((common != 0).sum())
    known = dict.fromkeys(k.source for fit in barrier.fits for k in fit.known) if shared else {}
    said = []
    if shared < number:
        said.append(f"The zero of the current was a free parameter of {count(number - shared, 'fit')}.")
    if shared:
        sources = listed(["their I(z) sweeps together", *known])
        said.append(f"{count(shared, 'sweep')} had the zero of their amplifier range, found from {sources}.")
    middle, u = (float(np.nanmedian(values)) * 1e12 for values in (size, error))
    said.append(f"In the median the zero is {value_with_uncertainty(middle, u, 'pA')}.")
    return said


def repeats_with_both(table: pd.DataFrame, kind: str) -> tuple[int, int]:
    """How many repeats hold both directions, and how many repeats there are.

    Parameters
    ----------
    table : pandas.DataFrame
        Sweeps of one kind.
    kind : str
        ``"iv"`` or ``"iz"``.
    """
    if not len(table):
        return 0, 0
    signs = pd.Series(direction_signs(table, kind)).groupby(repeat_codes(table, kind))
    both = (signs.min() == -1) & (signs.max() == 1)
    return int(both.sum()), len(both)


def averaged_sweeps(analysis: Analysis) -> pd.DataFrame:
    """The I(V) sweeps that some spectrum is the average of.

    Parameters
    ----------
    analysis : Analysis
    """
    spectra = analysis.spectra.spectra if analysis.spectra is not None else ()
    names = {name for one in spectra for name in one.sweeps}
    parts = [s.table[s.table["sweep"].isin(names)] for s in analysis.sets if s.kind == "iv"]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()


def shares(spectra: Sequence[Spectrum], say: Callable[[Spectrum], str]) -> str:
    """What is said of spectra, with in how many it holds where it does not hold for all.

    Parameters
    ----------
    spectra : sequence of Spectrum
    say : callable
        Words for one spectrum.
    """
    counts = Counter(say(one) for one in spectra)
    return "; ".join(words if n == len(spectra) else f"{words} (in {n} of {len(spectra)} spectra)"
                     for words, n in counts.items())  # fmt: skip


def bands_from(one: Spectrum) -> str:
    """What the band of a spectrum comes from.

    Parameters
    ----------
    one : Spectrum
    """
    unit = one.replicates or "unit"
    words = (
        f"from the scatter between {unit}s"
        if one.units > 1
        else f"from the noise along the only {unit}, which misses slow noise"
    )
    return f"{words}, and the calibration of the lock-in channel" if one.from_lockin else words


def zeros_removed(one: Spectrum, *, asked: bool) -> str:
    """What was taken off a spectrum as zero of bias and current, and why not.

    Parameters
    ----------
    one : Spectrum
    asked : bool
        Whether the plan removes what is found.
    """
    bias, current = np.isfinite(one.offsets.bias_V), np.isfinite(one.offsets.current_A)
    found = listed(["bias" if bias else "", "current" if current else ""])
    if not found:
        return f"no zero was removed: {one.offsets.how}"
    if not asked:
        return f"the zero of {found} was found, and kept as the plan asks: {one.offsets.how}"
    return f"the zero of {found} was removed: {one.offsets.how}"


def replicates_of_tips(barrier: BarrierAnalysis) -> list[str]:
    """Of what the barriers of tips are means: sites as replicates, and tips that have one site only.

    Parameters
    ----------
    barrier : BarrierAnalysis
    """
    tips, sites = barrier.tips, barrier.sites
    if not len(tips):
        return []
    used = used_sweeps(barrier)
    repeats = pd.Series(repeat_codes(used, "iz"), used.index).groupby(
        [used[c] for c in ("sample", "tip", "day", "site")]
    )
    several, repeated = int((tips["sites"] > 1).sum()), int((repeats.nunique() > 1).sum())
    said = []
    if repeated:
        said.append(
            f"Slopes were averaged over the repeats of a site before squaring, at {repeated} of {count(len(sites), 'site')}."
        )
    if several:
        said.append(f"Sites are the replicates of {several} of {count(len(tips), 'tip')} (random effects).")
        said.append(_which_mean(tips))
    if helped := int((np.isfinite(tips.get("scatter_dof", np.nan)) & (tips["sites"] > 1)).sum()):
        said.append(
            f"The scatter between the sites of {count(helped, 'tip')} was moderated by that of the other tips of the sample."
        )
    if several < len(tips):
        alone = len(tips) - several
        said.append(f"{count(alone, 'tip')} {'has' if alone == 1 else 'have'} one site only, hence no interval.")
    if len(barrier.changes):
        how = ", by site where sites were revisited" if (barrier.changes["paired_by"] == "site").any() else ""
        said.append(
            f"Each tip was compared with itself in another state{how}; tips are the replicates of all tips together."
        )
    if len(barrier.groups):
        said.append("Tips are the replicates of groups of tips.")
    return said


def _which_mean(tips: pd.DataFrame) -> str:
    """Of what the barriers of tips are estimates, where sites scatter."""
    geometric = "average" in tips and (tips["average"] != MEAN).any()
    what = (
        "the geometric mean of the slopes 2κ over its sites (the typical site)"
        if geometric
        else "the mean slope 2κ over its sites"
    )
    return f"The barrier of a tip is that of {what}."


def window_words(barrier: BarrierAnalysis) -> str:
    """The heights that fits used, from the near end of each ramp.

    Parameters
    ----------
    barrier : BarrierAnalysis
    """
    parts = [fit.table.assign(near=fit.height[0] * 1e9)[fit.table["used"].to_numpy(bool)] for fit in barrier.fits]
    used = pd.concat(parts) if parts else pd.DataFrame()
    if used.empty:
        return "no sweep was used"
    first, last = ((used[c] - used["near"]).median() for c in ("from_nm", "to_nm"))
    return f"{first:.2g} to {last:.3g} nm from the near end (median), {used['decades'].median():.2g} decades above the noise"
