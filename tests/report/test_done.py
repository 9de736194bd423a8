"""What was done is counted from the tables and the masks, and told only where it was done."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from sts.analysis import Analysis, BarrierAnalysis
from sts.barrier.bench_offset import KnownOffset
from sts.barrier.masks import REASONS
from sts.plan import Plan
from sts.report.done import (
    averaged_sweeps,
    bands_from,
    left_out,
    masked_samples,
    rejection_limits,
    repeats_with_both,
    replicates_of_tips,
    shares,
    used_sweeps,
    window_words,
    zero_of_current,
    zeros_removed,
)
from sts.spectra.spectrum import Offsets


@pytest.fixture
def barrier(invented: Analysis) -> BarrierAnalysis:
    assert invented.barrier is not None
    return invented.barrier


def test_rules_are_told_with_the_limits_of_the_plan(invented: Analysis) -> None:
    plan = Plan.model_validate({"check": {"omit": ["jump", "fit failed"], "jump_factor": 1.5}})
    told = rejection_limits(replace(invented, plan=plan))
    assert told == "jump (in I(V) a step of the current by a factor of 1.5 or more) and fit failed"


def test_what_rules_and_persons_left_out_is_counted_apart(invented: Analysis) -> None:
    words, by_person = left_out(invented)
    out = invented.judged[~invented.judged["used"].astype(bool)]
    assert by_person == (out["decided_by"] == "person").sum()
    assert words == f"jump {len(out) - by_person}"
    every = invented.judged.assign(used=False, decided_by="person")
    assert left_out(replace(invented, judged=every)) == ("", len(every))


def test_masks_are_counted_in_used_sweeps_only(barrier: BarrierAnalysis) -> None:
    fit = barrier.fits[0]
    why = np.zeros_like(fit.why_masked)
    used = fit.table["used"].to_numpy(bool)
    why[:5, :3] = REASONS.index("settling")
    why[~used, 0] = REASONS.index("contact")
    told = masked_samples(replace(barrier, fits=(replace(fit, why_masked=why),)))
    assert told == f"settling in {used[:5].sum()}"
    assert masked_samples(replace(barrier, fits=(replace(fit, why_masked=np.zeros_like(why)),))) == ""


def test_the_zero_of_the_current_is_told_with_its_source_and_uncertainty(barrier: BarrierAnalysis) -> None:
    fit = barrier.fits[0]
    used = int(fit.table["used"].sum())
    known = (KnownOffset(1e-12, 1e-13, "4 I(V) sweeps at zero bias"),)
    flat = {"offset": 2e-12, "offset_se": 3e-13, "good": True}
    ones = {name: np.full(len(fit.table), value) for name, value in flat.items()}

    def told(common: float) -> str:
        fits = replace(fit.fits, **ones, decay_common=np.full(len(fit.table), common))
        return " ".join(zero_of_current(replace(barrier, fits=(replace(fit, fits=fits, known=known),))))

    assert (
        told(0.0)
        == f"The zero of the current was a free parameter of {used} fits. In the median the zero is 2.00 ± 0.30 pA."
    )
    shared = (
        f"{used} sweeps had the zero of their amplifier range, found from their I(z) sweeps together and 4 I(V) sweeps"
    )
    assert told(1e8).startswith(shared)
    assert "free parameter" not in told(1e8)


def test_repeats_with_both_directions_are_counted(barrier: BarrierAnalysis) -> None:
    table = pd.DataFrame(
        {
            "sample": "s",
            "tip": "t",
            "site": "1",
            "repeat": [1, 1, 2, 3],
            "direction": ["retract", "approach", "retract", ""],
        }
    )
    assert repeats_with_both(table, "iz") == (1, 3)
    assert repeats_with_both(table.iloc[:0], "iz") == (0, 0)


def test_replicates_are_those_used(barrier: BarrierAnalysis) -> None:
    assert "Sites are the replicates of 4 of 4 tips (random effects)." in replicates_of_tips(barrier)
    alone = replace(barrier, tips=barrier.tips.assign(sites=[1, 3, 3, 3]))
    said = replicates_of_tips(alone)
    assert "Sites are the replicates of 3 of 4 tips (random effects)." in said
    assert "1 tip has one site only, hence no interval." in said
    assert replicates_of_tips(replace(barrier, tips=barrier.tips.iloc[:0])) == []


def test_sweeps_without_a_tip_are_not_among_those_used_for_tips(barrier: BarrierAnalysis) -> None:
    sweeps = barrier.sweeps.assign(unassigned="a series")
    assert used_sweeps(replace(barrier, sweeps=sweeps)).empty
    assert len(used_sweeps(barrier)) == barrier.sweeps["used"].sum()
    assert used_sweeps(None).empty


def test_the_window_counts_from_the_near_end(barrier: BarrierAnalysis) -> None:
    fit = barrier.fits[0]
    there = window_words(barrier)
    moved = fit.table.assign(from_nm=fit.table["from_nm"] - 75, to_nm=fit.table["to_nm"] - 75)
    away = replace(barrier, fits=(replace(fit, height=fit.height - 75e-9, table=moved),))
    assert window_words(away) == there
    assert window_words(replace(barrier, fits=())) == "no sweep was used"


def test_what_holds_for_some_spectra_is_told_with_their_number(invented: Analysis) -> None:
    assert invented.spectra is not None
    one = replace(invented.spectra.spectra[0], replicates="site", units=3)
    lone = replace(one, replicates="repeat", units=1)
    assert bands_from(one) == "from the scatter between sites"
    assert shares([one, one], bands_from) == "from the scatter between sites"
    assert shares([one, lone], bands_from).startswith(
        "from the scatter between sites (in 1 of 2 spectra); from the noise"
    )


def test_zeros_are_told_to_be_removed_only_where_they_were(invented: Analysis) -> None:
    assert invented.spectra is not None
    nan = float("nan")
    found = replace(
        invented.spectra.spectra[0], offsets=Offsets(1e-3, 1e-4, 1e-3, 1e-4, 1e-12, 1e-13, True, "3 set-points")
    )
    crossing = replace(found, offsets=Offsets(1e-3, 1e-4, nan, nan, nan, nan, False, "1 set-point"))
    assert zeros_removed(found, asked=True) == "the zero of bias and current was removed: 3 set-points"
    assert "kept as the plan asks" in zeros_removed(found, asked=False)
    assert zeros_removed(crossing, asked=True) == "no zero was removed: 1 set-point"


def test_sweeps_of_spectra_are_those_that_were_averaged(invented: Analysis) -> None:
    assert invented.spectra is not None
    names = {name for s in invented.spectra.spectra for name in s.sweeps}
    assert set(averaged_sweeps(invented)["sweep"]) <= names
    assert averaged_sweeps(replace(invented, spectra=None)).empty
