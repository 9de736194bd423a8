"""Units behind the bands: sites or tips where there are enough, else repeats; holes stay holes."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from sts.plan import SpectraPlan
from sts.spectra.units import Whole, hole_note, note_rows, units_of
from sts.sweeps import SweepSet, sweep_table


def sweeps(sites: str, tips: str) -> SweepSet:
    names = [f"s{i}" for i in range(len(sites))]
    table = sweep_table(names, sample="gold", site=list(sites), tip=list(tips))
    return SweepSet(kind="iv", axis=np.linspace(-1, 1, 5), current=np.zeros((len(names), 5)), table=table)


@pytest.mark.parametrize(
    ("sites", "tips", "kind", "means"),
    [
        ("aabbcc", "tttttt", "site", [0.5, 2.5, 4.5]),
        ("abcabc", "ttuuvv", "tip", [0.5, 2.5, 4.5]),
        ("aaabbb", "tttttt", "repeat", [0, 1, 2, 3, 4, 5]),
    ],
)
def test_the_highest_level_with_three_makes_the_bands(sites: str, tips: str, kind: str, means: list[float]) -> None:
    notes: dict[str, str] = {}
    each = np.arange(6.0)[:, None] * np.ones(5)
    units, found = units_of(sweeps(sites, tips), each, np.arange(6), SpectraPlan(), notes)
    assert found == kind
    assert_allclose(units[:, 0], means)
    assert ("few sites" in notes) == (kind == "repeat")


def test_one_site_cannot_be_the_replicate() -> None:
    with pytest.raises(ValueError, match="scatter between sites, but there is only one"):
        units_of(sweeps("aa", "tt"), np.zeros((2, 5)), np.arange(2), SpectraPlan(replicates="site"), {})


def test_what_every_sweep_misses_stays_missing() -> None:
    points = np.array([False, True, True, False, True])
    whole = Whole(5, points)
    assert_allclose(whole(np.array([[1.0, 2.0, 3.0]])), [[np.nan, 1, 2, np.nan, 3]])
    assert whole.mask(np.array([True, False, True])).tolist() == [False, True, False, False, True]
    assert_allclose(whole.axis(np.linspace(0, 4, 5), np.array([0.9, 1.9, 3.9])), np.linspace(0, 4, 5) - 0.1)
    assert hole_note(points) == "at 2 of 5 points no sweep has a usable sample: left out"


def test_notes_are_flags_of_the_group() -> None:
    rows = note_rows({"holes": "2 of 5"})
    assert rows[["sweep", "flag", "detail"]].to_numpy().tolist() == [["", "holes", "2 of 5"]]
