"""Measured again under another plan: the same as measured from the file, whatever was kept."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pandas as pd
import pytest

import sts
from sts.analysis.measured_again import measure_again

ROOT = Path(__file__).parents[2]
CHANGES: list[dict[str, Any]] = [
    {"spectra": {"average": "median"}},
    {"spectra": {"by": ["sample", "tip"], "smoothing_width_V": 0.05}},
    {"features": {"peaks": False}},
    {"barrier": {"fit_from_nm": 0.05}},
    {"barrier": {"fit_to_nm": 0.2210526315789474}},
    {"compare": {"confidence": 0.9}},
    {"check": {"jump_factor": 1.05, "omit": ["jump"]}},
    {"report": {"title": "another"}},
]


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("again") / "session.h5"
    files = [*sorted((ROOT / "data/demo/iz").glob("*heron_s[12]_r[123]*")), ROOT / "data/demo/iv/layer_100pA.txt"]
    sts.import_files(files, path, logbook=ROOT / "data/demo/logbook.csv")
    return path


@pytest.fixture(scope="module")
def before(session: Path) -> sts.Measured:
    measured = sts.measure(session)
    measured.summarise(sts.Session.open(session).decisions())  # so that there is something to keep
    return measured


@pytest.mark.parametrize("change", CHANGES, ids=str)
def test_it_gives_what_measuring_from_the_file_gives(
    session: Path, before: sts.Measured, change: dict[str, Any]
) -> None:
    plan = sts.Plan.model_validate(change)
    decisions = sts.Session.open(session).decisions()
    found = measure_again(before, plan).summarise(decisions)
    expected = sts.measure(session, plan).summarise(decisions)
    assert found.plan == plan
    pd.testing.assert_frame_equal(found.judged, expected.judged)
    pd.testing.assert_frame_equal(found.flags, expected.flags)
    assert found.barrier is not None
    assert expected.barrier is not None
    for name in ("sweeps", "sites", "tips", "window"):
        pd.testing.assert_frame_equal(getattr(found.barrier, name), getattr(expected.barrier, name))
    assert found.spectra is not None
    assert expected.spectra is not None
    pd.testing.assert_frame_equal(found.spectra.table, expected.spectra.table)
    pd.testing.assert_frame_equal(found.spectra.summary, expected.spectra.summary)


def test_settings_of_spectra_need_no_fit_of_heights_and_the_other_way_round(before: sts.Measured) -> None:
    assert measure_again(before, sts.Plan(spectra={"average": "median"})).fits is before.fits
    window = measure_again(before, sts.Plan(barrier={"fit_from_nm": 0.05}))
    assert window.spectra is before.spectra
    assert window.fits is not before.fits
