"""Measuring again under another plan, and only what the changed settings touch."""

from __future__ import annotations

from dataclasses import replace

from sts.analysis.barriers import without_slope
from sts.analysis.judged_spectra import judge_spectra, zeros_of_current
from sts.analysis.measured import Measured
from sts.barrier.fit import fit_together
from sts.flags import join_flags
from sts.plan import Plan


def measure_again(before: Measured, plan: Plan) -> Measured:
    """The same sweeps measured under another plan, as `measure` would, from what is in memory.

    Parameters
    ----------
    before : Measured
    plan : Plan

    Notes
    -----
    I(V) sweeps are judged again if `check` changed; I(z) sweeps are fitted again if that, `barrier` or the level of confidence
    did; spectra are made again in the next summary unless only `barrier`, `verdict` or `report` changed.
    """
    spectra, ramps = ([part for part in before.sets if part.kind == kind] for kind in ("iv", "iz"))
    changed = {name for name in type(plan).model_fields if getattr(plan, name) != getattr(before.plan, name)}
    if "check" in changed:
        settled, judged = judge_spectra(spectra, plan.check)
    else:
        settled = before.settled
        judged = before.flags[before.flags["sweep"].isin([name for part in spectra for name in part.names])]
    fits = before.fits
    if changed & {"check", "barrier"} or plan.compare.confidence != before.plan.compare.confidence:
        fits = tuple(fit_together(ramps, plan, zeros_of_current(settled, judged, plan)))
    flags = join_flags([*(fit.flags for fit in fits), judged])
    after = replace(before, plan=plan, settled=settled, fits=fits, flags=flags, unusable=without_slope(fits))
    kept = {"_identity"}  # what was worked out before and is not touched
    kept |= {"spectra"} if changed <= {"barrier", "verdict", "report"} else set()
    vars(after).update({name: value for name, value in vars(before).items() if name in kept})
    return after
