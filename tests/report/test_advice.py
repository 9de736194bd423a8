"""What would improve the next session most: each piece of advice only where it helps, with its size."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pandas as pd

from sts.analysis import Analysis
from sts.report.advice import improvements
from sts.spectra.spectrum import Offsets


def test_three_improvements_each_with_a_size(invented: Analysis) -> None:
    found = improvements(invented)
    assert len(found) == 3
    assert found[0].startswith("Clean or replace sandpiper")
    assert all(re.search(r"\d", text) for text in found)


def test_calibration_is_asked_for_only_where_none_is_recorded(invented: Analysis) -> None:
    assert any("Calibrate the height scale" in text for text in improvements(invented, most=20))
    known = pd.DataFrame([{"kind": "height", "factor": 1.02, "factor_se": 0.01, "measured": 0.34, "known": 0.335,
                           "source": "graphite", "time": "2026-03-01"}])  # fmt: skip
    assert not any("Calibrate" in text for text in improvements(replace(invented, calibrations=known), most=20))


def test_setpoints_are_asked_for_only_where_offsets_cannot_be_told_apart(invented: Analysis) -> None:
    assert any("three set-points" in text for text in improvements(invented, most=20))
    assert invented.spectra is not None
    known = Offsets(0.001, 1e-4, 0.001, 1e-4, 1e-12, 1e-13, True, "3 set-points")
    spectra = tuple(replace(s, offsets=known) for s in invented.spectra.spectra)
    told = replace(invented, spectra=replace(invented.spectra, spectra=spectra))
    assert not any("three set-points" in text for text in improvements(told, most=20))


def test_no_advice_names_a_size_that_rounds_to_nothing(invented: Analysis) -> None:
    assert invented.spectra is not None
    spectra = tuple(replace(s, trusted=np.abs(s.bias) > 0) for s in invented.spectra.spectra)
    shown = replace(invented, spectra=replace(invented.spectra, spectra=spectra))
    found = [text for text in improvements(shown, most=20) if "cannot be read" in text]
    assert found
    assert not any("±0 mV" in text for text in found)
    everywhere = tuple(replace(s, trusted=np.ones(len(s.bias), bool)) for s in invented.spectra.spectra)
    shown = replace(invented, spectra=replace(invented.spectra, spectra=everywhere))
    assert not any("cannot be read" in text for text in improvements(shown, most=20))


def test_less_smoothing_is_asked_for_only_where_something_was_found(invented: Analysis) -> None:
    assert invented.spectra is not None
    spectra = [
        replace(s, resolution=replace(s.resolution, thermal_V=0.01, smoothing_V=0.1, total_V=0.1))
        for s in invented.spectra.spectra
    ]
    blurred = replace(invented, spectra=replace(invented.spectra, spectra=tuple(spectra)))
    assert any("allow less smoothing" in text for text in improvements(blurred, most=20))
    empty = tuple(replace(s, gaps=None, peaks=None) for s in spectra)
    without = replace(invented, spectra=replace(invented.spectra, spectra=empty))
    assert not any("allow less smoothing" in text for text in improvements(without, most=20))


def test_where_all_tips_are_low_only_one_that_reads_less_than_another_is_to_be_cleaned(invented: Analysis) -> None:
    """Usual on a bench in air: every barrier is below 1 eV (common practice, no source)."""
    assert invented.barrier is not None
    sweeps, pairs = invented.barrier.sweeps, invented.barrier.pairs
    low = pd.DataFrame({"sweep": sweeps["sweep"], "flag": "low barrier", "detail": "0.4 eV"})
    alike = pairs.assign(verdict="no difference shown")

    def cleaning(verdicts: pd.DataFrame) -> list[str]:
        barrier = replace(invented.barrier, pairs=verdicts) if invented.barrier else None
        return [
            text for text in improvements(replace(invented, flags=low, barrier=barrier), most=20) if "Clean" in text
        ]

    first = pairs.iloc[0]
    assert cleaning(alike) == []
    told = cleaning(alike.assign(verdict=["differ", *alike["verdict"][1:]]))
    assert len(told) == 1
    assert told[0].startswith(f"Clean or replace {first['tip_a'] if first['ratio'] < 1 else first['tip_b']}")
