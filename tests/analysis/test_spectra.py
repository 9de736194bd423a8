"""The spectra of the demo against its truth; decisions reach the offsets."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from figures.drawings import SPECTRA

import sts
from sts.analysis.spectra import model_notes

DEMO = Path(__file__).parents[2] / "data" / "demo"


def test_the_gap_of_every_set_point_is_near_the_planted_one(analysis, truth):
    rows = analysis.spectra.summary
    rows = rows[rows["sample"] == "layered semiconductor"]
    assert len(rows) == 3
    assert (abs(rows["gap_meV"] / 1e3 / truth["gap_eV"] - 1) < 0.005).all()


def test_offsets_found_on_the_metal_are_the_planted_ones(analysis, truth):
    rows = analysis.spectra.summary
    gold = rows[rows["sample"] == "gold film"].iloc[0]
    assert gold["bias_offset_mV"] == pytest.approx(truth["bias_offset_mV"], abs=0.5)
    assert gold["current_offset_pA"] == pytest.approx(truth["current_offset_iv_pA"], abs=0.5)
    layer = rows[rows["sample"] == "layered semiconductor"]
    # On a metal dI/dV is a constant too, so that displacement current and lag cannot be told apart there.
    assert (abs(layer["displacement_fF"] / truth["displacement_fF"] - 1) < 0.15).all()


def test_a_decision_to_keep_reaches_the_offsets(tmp_path, monkeypatch):
    """The offsets of a tip come from the sweeps that are used: one that a person keeps is one of them."""
    from sts.analysis import spectra

    asked, find = [], spectra.find_offsets

    def seen(parts):
        asked.extend(name for part in parts for name in part.names)
        return find(parts)

    monkeypatch.setattr(spectra, "find_offsets", seen)
    kept = "layer_200pA_up_6"
    files = [*sorted((DEMO / "iv").glob("gold_200pA*")), DEMO / "iv" / "layer_200pA.txt"]
    sts.import_files(files, tmp_path / "s.h5", logbook=DEMO / "logbook.csv")
    copy = sts.Session.open(tmp_path / "s.h5")
    assert len(set(sts.analyse(copy, only="iv").judged["sweep"]) - set(asked)) == 1
    assert kept not in asked
    copy.mark([kept], "keep", "looked at")
    sts.analyse(copy, only="iv")
    assert kept in asked


def test_what_was_not_fitted_is_told_with_the_reason_and_what_could_be_with_the_setting():
    one = SPECTRA[0]
    warm = replace(one, untried={"superconductor": "it was taken at 77 K, above 20 K"})
    assert model_notes([warm]) == [f"{one.label}: no superconducting gap was fitted: it was taken at 77 K, above 20 K."]
    assert "and 2 more: no superconducting gap" in model_notes([warm] * 5)[0]
    (hint,) = model_notes([replace(one, suggested=("superconductor",))])
    assert hint.endswith("this looks like a superconducting gap to fit: features.superconductor = true.")
    assert model_notes([one]) == []
