"""The I(V) sets of a session judged, without the samples of start transients; and the zero of the current that they tell."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import pandas as pd

from sts.barrier.bench_offset import KnownOffset
from sts.flags import join_flags
from sts.plan import CheckPlan, Plan
from sts.selection import select
from sts.spectra import judge_iv
from sts.spectra.faults.settling import settled_and_judged
from sts.spectra.zero_current import zero_currents
from sts.sweeps import SweepSet


def judge_spectra(
    spectra: Sequence[SweepSet], check: CheckPlan, progress: Callable[[int], None] | None = None
) -> tuple[tuple[SweepSet, ...], pd.DataFrame]:
    """The sets without the samples of start transients, and the flags of all sweeps.

    Parameters
    ----------
    spectra : sequence of SweepSet
        Of kind ``"iv"``.
    check : CheckPlan
    progress : callable(done), optional
        Called with the number of sets judged.
    """
    judged = []
    for part in spectra:
        judged.append(judge_iv(part, check))
        if progress is not None:
            progress(len(judged))
    settled, judged = settled_and_judged(spectra, judged, check)
    return tuple(settled), join_flags(judged)


def zeros_of_current(spectra: Sequence[SweepSet], flags: pd.DataFrame, plan: Plan) -> list[KnownOffset]:
    """What the I(V) sweeps that the rules let pass say of the zero of the current.

    Parameters
    ----------
    spectra : sequence of SweepSet
        Of kind ``"iv"``.
    flags : pandas.DataFrame
        Of `judge_iv`.
    plan : Plan
    """
    names = [name for part in spectra for name in part.names]
    judged = select(names, flags, rules=plan.check.omit)
    rows = zero_currents(spectra, set(judged.loc[~judged["used"], "sweep"]))
    return [
        KnownOffset(value, u, f"{count:.0f} I(V) sweeps at zero bias", scale)
        for scale, value, u, count in rows.to_numpy(float).tolist()
    ]


def flags_of_spectrum(flags: pd.DataFrame | None, label: str) -> pd.DataFrame:
    """The flags of a spectrum as a whole, under its label in brackets.

    Parameters
    ----------
    flags : pandas.DataFrame, optional
        Of the spectrum and its sweeps.
    label : str
    """
    if flags is None:
        return join_flags([])
    return flags[flags["sweep"] == ""].assign(sweep=f"({label})")
