"""Results are looked up by name, and picked with their rows of the tables."""

from __future__ import annotations

import pytest

from sts.analysis import Analysis


def test_a_spectrum_is_looked_up_by_what_it_is_called(invented: Analysis) -> None:
    spectra = invented.spectra
    assert spectra is not None
    assert spectra["layered semiconductor, 300 pA"] is spectra.spectra[1]
    assert spectra["300 pA"] is spectra[1]
    assert list(spectra) == list(spectra.spectra)
    with pytest.raises(KeyError, match="fits 2 spectra"):
        spectra["layered semiconductor"]


def test_what_is_picked_brings_its_own_rows(invented: Analysis) -> None:
    spectra = invented.spectra
    assert spectra is not None
    one = spectra.pick(["300 pA"])
    assert one.labels == ["layered semiconductor, 300 pA"]
    assert one.table["didv_S"].tolist() == spectra[1].didv.tolist()
    assert one.summary["setpoint_current_A"].tolist() == [300e-12]
    assert spectra.pick(["300 pA", "layered semiconductor"]).labels == [spectra.labels[1], spectra.labels[0]]
