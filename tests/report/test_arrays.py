"""Arrays come back with their units."""

from __future__ import annotations

from pathlib import Path

import h5py
from numpy.testing import assert_allclose

from sts.analysis import Analysis


def test_arrays_come_back_with_their_units(invented: Analysis, written: Path) -> None:
    assert invented.barrier is not None
    assert invented.spectra is not None
    with h5py.File(written / "results.h5") as file:
        assert_allclose(file["barrier_001/fitted"][:], invented.barrier.fits[0].fitted)
        assert file["barrier_001/height"].attrs["units"] == "m"
        assert file["spectrum_001/didv"].attrs["units"] == "S"
        assert_allclose(file["spectrum_002/normalised"][:], invented.spectra.spectra[1].normalised)
        assert file["barrier_001/sweep"].asstr()[0] == "heron_s1_r1_retract"


def test_the_form_with_broadened_i_over_v_is_a_group_with_its_kernel(invented: Analysis, written: Path) -> None:
    assert invented.spectra is not None
    one = invented.spectra.spectra[0].broadened
    assert one is not None
    with h5py.File(written / "results.h5") as file:
        group = file["spectrum_001/broadened"]
        assert_allclose(group["value"][:], one.value)
        assert_allclose(group["high"][:] - group["low"][:], one.high - one.low)
        assert (group.attrs["kind"], group.attrs["width_V"], group.attrs["why"]) == (one.kind, one.width_V, one.why)
