"""A session measured in another process: the same to the last bit, and a failure is told in words."""

from __future__ import annotations

import pickle
from pathlib import Path

import numpy as np
import pytest

from sts.plan import Plan
from sts.review import Desk
from sts.review import apart as module
from sts.review.apart import ARRAYS, Apart, keep, load
from sts.session import Session


@pytest.fixture(autouse=True)
def _as_soon_as_others(monkeypatch: pytest.MonkeyPatch) -> None:
    """Behind a busy second worker of the tests, measuring would take ten times as long."""
    monkeypatch.setattr(module, "BEHIND", 0)


def test_what_is_kept_comes_back_to_the_last_bit_and_may_be_changed_here(tmp_path: Path) -> None:
    rng = np.random.default_rng(0)
    value = {
        "many": rng.normal(size=(50, 7)),
        "none": np.empty(0),
        "names": ["a", "b"],
        "turned": rng.normal(size=(3, 4)).T,
    }
    keep(value, tmp_path)
    before = (tmp_path / ARRAYS).read_bytes()
    found = load(tmp_path)
    for name in ("many", "none", "turned"):
        assert np.array_equal(found[name], value[name])
    found["many"][:] = 0.0
    assert (tmp_path / ARRAYS).read_bytes() == before


def test_another_process_measures_what_this_one_would(small: Path) -> None:
    plan = Plan.model_validate({"spectra": {"average": "median"}})
    apart = Apart(small, plan)
    try:
        far, here = Desk(small, plan, standing=apart.standing), Desk(small, plan)
        assert far.measuring
        far.go_on()
        for table in ("judged", "flags"):
            assert getattr(far.analysis, table).equals(getattr(here.analysis, table)), table
        assert far.worklist.equals(here.worklist)
        assert pickle.dumps(far.measured.fits[0].table) == pickle.dumps(here.measured.fits[0].table)
        assert np.array_equal(far.measured.fits[0].fitted, here.measured.fits[0].fitted, equal_nan=True)
        far.change(**{"barrier.fit_from_nm": 0.05})
        here.change(**{"barrier.fit_from_nm": 0.05})
        assert far.answer().tips.equals(here.answer().tips)
        folder = apart._folder
    finally:
        apart.end()
    assert not folder.exists()


def test_what_cannot_be_measured_is_told_in_words(tmp_path: Path) -> None:
    apart = Apart(Session.create(tmp_path / "empty.h5").path, Plan())
    with pytest.raises(ValueError, match="no sweeps in this session"):
        apart.standing.result(60)
    apart.end()
    ended = Apart(tmp_path / "empty.h5", Plan())
    ended._process.kill()
    with pytest.raises(ValueError, match="Measuring ended before it was done"):
        ended.standing.result(60)
    ended.end()
