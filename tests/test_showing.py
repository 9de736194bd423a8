"""A result is a line where Python prints it: neither arrays nor tables fill the screen."""

from __future__ import annotations

import numpy as np
import pandas as pd
from test_notebook import results

import sts
from sts.analysis import Analysis
from sts.showing import brief, told


def test_no_result_prints_more_than_a_few_lines(invented: Analysis) -> None:
    for result in results(invented):
        text = repr(result)
        assert len(text) < 700, type(result)
        assert "array(" not in text
        assert "\n" not in text


def test_results_say_what_they_are(invented: Analysis) -> None:
    assert invented.barrier is not None
    assert invented.spectra is not None
    assert repr(invented.spectra[0]) == (
        "<Spectrum: 'layered semiconductor, 100 pA', 7 sweeps used, 1 left out; 121 points, -1.5 to 1.5 V>"
    )
    assert (
        repr(invented.spectra)
        == "<SpectraAnalysis: 2 spectra: layered semiconductor, 100 pA; layered semiconductor, 300 pA>"
    )
    assert repr(invented.sets[2]).startswith("<SweepSet: 48 I(z) sweeps on 71 points, 0 to 0.7 nm; tip heron, ")
    assert repr(invented.barrier).startswith("<BarrierAnalysis: 48 I(z) sweeps, 12 sites; heron 4.")
    assert "sweeps of invented.h5 used, barriers of 4 tips, 2 spectra" in repr(invented)
    assert "48 I(z) sweeps on 71 heights, 47 used; median " in repr(invented.barrier.fits[0])


def test_values_are_shortened_by_their_kind() -> None:
    assert brief(np.zeros((3, 5))) == "ndarray 3 × 5"
    assert brief(pd.DataFrame({"a": [1, 2]})) == "DataFrame 2 × 1"
    assert brief(list(range(100))) == "100 items"
    assert brief({"a": 1}) == "{'a': 1}"
    assert brief(0.1 + 0.2) == "0.3"
    assert brief("x" * 300).endswith(" …")
    assert told(sts.simulate_iz(barrier_eV=4.0, sweeps=2, seed=1))["clean"].startswith("ndarray 2 × ")
